"""The rules at work on events that no database holds: for whoever judges forecasts against a world whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from servicing.events.reading import load_payload, upcast
from servicing.events.types import EventType
from servicing.rules.balance import epoch_s
from servicing.rules.dose.model import DoseFit
from servicing.rules.drying import chance_dry_before
from servicing.rules.fold import AHEAD_TOLERANCE, FoldEvent, standings
from servicing.rules.forecasting.dry import DryForecast, dry_forecast
from servicing.rules.forecasting.fits import DoseFits, Fits, WickFits
from servicing.rules.forecasting.learning import UnitLearnt, learn_doses, learn_wicks
from servicing.rules.forecasting.looks import WickLine
from servicing.rules.forecasting.rows import Row, outlook_rows
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.forecasting.wicks import hazard_per_day, wick_forecast, wicks_of
from servicing.rules.lifetimes.wick_life import WickFit
from servicing.rules.replacement import CHANGE, WASH
from servicing.rules.unit import Line, UnitHistory, fold_lines, instant_text
from servicing.rules.water import hardness_class

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

NOON_OF_A_DAY = 730_000.5

__all__ = [
    "CHANGE",
    "WASH",
    "Facts",
    "Fits",
    "ForecastTerms",
    "Heard",
    "Rehearsed",
    "UnitHistory",
    "WickLine",
    "advise_wicks",
    "fallen",
    "fold_heard",
    "learn",
    "rehearse",
    "rows_of",
    "true_fits",
    "wick_line",
]


@dataclass(frozen=True, slots=True)
class Heard:
    """One event as the server first received it; ``payload`` as sent, in version 1."""

    event_id: UUID
    device_id: UUID
    device_sequence: int
    type: str
    subject_id: UUID
    occurred_at: datetime
    received_at: datetime
    payload: dict[str, Any]
    corrects: UUID | None = None
    touch_id: UUID | None = None

    @property
    def is_ahead(self) -> bool:
        """Its clock says so much more than the server's that it waits."""
        return self.occurred_at > self.received_at + AHEAD_TOLERANCE


def line_of(one: Heard) -> Line:
    """The event as the fold of a unit takes it."""
    kind = EventType(one.type)
    said = upcast(kind, 1, one.payload)
    return (
        one.type,
        instant_text(one.occurred_at),
        str(one.device_id),
        one.device_sequence,
        str(one.event_id),
        said,
    )


def fallen(heard: Collection[Heard]) -> set[UUID]:
    """The events among ``heard`` that fall to a correction among ``heard``."""
    corrected = {one.corrects for one in heard if one.corrects is not None}
    if not corrected:
        return set()
    events = [_event(one) for one in heard if one.corrects is not None or one.event_id in corrected]
    return {event_id for event_id, standing in standings(events).items() if standing.word == "superseded"}


def _event(one: Heard) -> FoldEvent:
    return FoldEvent(
        event_id=one.event_id,
        device_id=one.device_id,
        device_sequence=one.device_sequence,
        type=EventType(one.type),
        subject_kind="unit",
        subject_id=one.subject_id,
        occurred_at=one.occurred_at,
        received_at=one.received_at,
        payload=load_payload(one.type, 1, one.payload),
        corrects=one.corrects,
    )


def fold_heard(heard: Sequence[Heard], start: UnitHistory | None = None) -> UnitHistory:
    """The history of one unit after these events, corrections among them resolved, in canonical order.

    ``start`` (changed in place) has to end before the first of them, and none of them may correct what it holds.
    """
    gone = fallen(heard)
    lines = [line_of(one) for one in heard if one.event_id not in gone and not one.is_ahead]
    return fold_lines(sorted(lines, key=lambda line: line[1:5]), start)


class Facts(NamedTuple):
    """What is on file about one unit; ``next_on`` and ``after_on`` its next two due days as ordinals."""

    unit_id: str
    cartridge_code: str
    liquid: str
    nominal_ml_per_day: float
    site_kind: str
    hardness_mg_per_l: int | None
    next_on: int | None
    after_on: int | None


Known = tuple[Facts, UnitHistory]
_OF_WICKS = frozenset(
    {"unit.installed", "unit.opened", "unit.withdrawn", "wick.changed", "wick.checked", "wick.washed"}
)


def wick_line(one: Heard) -> WickLine | None:
    """What the event tells of the unit's wick, if anything."""
    if one.type not in _OF_WICKS:
        return None
    word = one.payload.get("condition") or one.payload.get("wick") or one.payload.get("reason") or ""
    return WickLine(str(one.subject_id), int(one.occurred_at.timestamp()), one.type, word)


def learn(known: Sequence[Known], lines: Iterable[WickLine]) -> Fits:
    """An operator's fits from all units ever heard of, and what their events said of wicks, unit by unit in order."""
    units = [_learnt(facts, history) for facts, history in known if history.ever_installed]
    return Fits(learn_doses(units), learn_wicks(units, lines))


def _learnt(facts: Facts, history: UnitHistory) -> UnitLearnt:
    hangs = history.is_installed
    return UnitLearnt(
        unit_id=facts.unit_id,
        group=_group(facts),
        site_kind=facts.site_kind,
        hardness_mg_per_l=facts.hardness_mg_per_l,
        liquid=facts.liquid,
        nominal_ml_per_day=_nominal(facts, history),
        intervals=history.intervals if hangs else [],
        wick_lives=history.wick_lives,
        wick_since_s=epoch_s(history.wick_since) if hangs and history.wick_since else None,
        wick_good_s=None if history.wick_entered_at else history.wick_good_s,
        wick_failed_s=history.wick_failed_s,
    )


def true_fits(
    learnt: Fits,
    *,
    between_sd: float,
    visit_sd: float,
    season: tuple[float, float],
    wick_scale_days: float,
    wick_shape: float,
    plugs_per_day: float,
) -> Fits:
    """Fits that know what no operator knows; what is no parameter of the truth stays as ``learnt``.

    That is the hazard ratio of a condition seen, the use of washing and how often wicks are changed.
    """
    learnt_life = learnt.wick.life
    dose = DoseFit(mean=0.0, between_sd=between_sd, visit_sd=visit_sd, season=season, readings=1)
    life = WickFit(
        coefficients=(math.log(wick_scale_days),),
        log_shape=math.log(wick_shape),
        covariance=((0.0, 0.0), (0.0, 0.0)),
        based_on_wicks=learnt_life.based_on_wicks,
        based_on_failures=learnt_life.based_on_failures,
        condition_laws=learnt_life.condition_laws,
    )
    return Fits(
        DoseFits(dose, plugs_per_day, learnt.dose.resets_per_reading), WickFits(life, learnt.wick.recovery)
    )


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """The forecasts of U units, each array (U,), in days from the reading of their levels; NaN where none is known.

    ``n``: own readings they rest on; ``is_low`` and ``is_high``: what the drift chart says.
    """

    forecast: DryForecast

    @property
    def earliest(self) -> Floats:
        return self.forecast.earliest

    @property
    def median(self) -> Floats:
        return self.forecast.median

    @property
    def latest(self) -> Floats:
        return self.forecast.latest

    @property
    def n(self) -> NDArray[np.int64]:
        return self.forecast.posterior.n

    def chance_within(self, days: float | Floats) -> Floats:
        """The chance of being dry so many days after the reading of the level."""
        way = self.forecast.way
        until = np.broadcast_to(np.asarray(days, np.float64), self.n.shape)
        chance = chance_dry_before(way.level_ml, until, way.ahead, way.slowing)
        return np.where(np.isfinite(self.median), chance, np.nan)


def rehearse(known: Sequence[Known], fits: Fits, terms: ForecastTerms) -> Rehearsed:
    """The dry dates of hanging units, as an operator with these fits would be told them."""
    units = [seen(facts, history) for facts, history in known]
    hazard = hazard_per_day(wicks_of(units, fits.wick), units)
    return Rehearsed(dry_forecast(units, fits.dose, terms, hazard))


def rows_of(known: Sequence[Known], fits: Fits, terms: ForecastTerms) -> list[Row]:
    """The outlooks of hanging units, as they would be stored."""
    return outlook_rows([seen(facts, history) for facts, history in known], fits, terms)


def seen(facts: Facts, history: UnitHistory) -> UnitSeen:
    """The unit as a forecast sees it, its moments in UTC and without the operator's own ages of watching and changing."""
    installed_at = _day(history.installed_at)
    assert installed_at is not None, "an installed unit has its day"
    return UnitSeen(
        intervals=history.intervals,
        group=_group(facts),
        site_kind=facts.site_kind,
        hardness=hardness_class(facts.hardness_mg_per_l),
        liquid=facts.liquid,
        dust="normal",
        nominal_ml_per_day=_nominal(facts, history),
        level_ml=history.level_ml,
        level_at=_day(history.level_at),
        charged_at=_day(history.charged_at),
        installed_at=installed_at,
        wick_since=_day(history.wick_since),
        wick_since_s=epoch_s(history.wick_since) if history.wick_since else None,
        wick_good_s=history.wick_good_s,
        wick_condition=history.wick_condition,
        wick_checked=_day(history.wick_checked_at),
        wick_washed=_day(history.wick_washed_at),
        cleaned_at=_day(history.reservoir_cleaned_at),
        next_on=facts.next_on,
        after_on=facts.after_on,
        opens_on=None,
        watch_on=None,
        limit_on=None,
    )


def _group(facts: Facts) -> str:
    return f"{facts.site_kind}/{facts.cartridge_code}"


def _nominal(facts: Facts, history: UnitHistory) -> float:
    set_dose = float(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else 0.0
    return set_dose or facts.nominal_ml_per_day


def _day(instant: str | None) -> float | None:
    """A stored instant as a day of the calendar in UTC: the date's ordinal and the fraction of the day."""
    if instant is None:
        return None
    at = datetime.fromisoformat(instant).astimezone(UTC)
    return at.toordinal() + (at.hour * 3_600 + at.minute * 60 + at.second) / 86_400


def advise_wicks(
    facts: Sequence[Facts],
    fits: Fits,
    terms: ForecastTerms,
    *,
    age_days: Floats,
    slow: Flags,
    visits_days: float,
) -> NDArray[np.int8]:
    """What pays at a visit for U wicks of these ages (U,): 0 wait, 1 wash, 2 change.

    ``slow`` (U,): how each looked when it was last looked at. Visits are ``visits_days`` apart.
    """
    units = [
        _hanging(one, age, visits_days, "slow" if is_slow else "good")
        for one, age, is_slow in zip(facts, age_days.tolist(), slow.tolist(), strict=True)
    ]
    wicks = wicks_of(units, fits.wick)
    return wick_forecast(wicks, units, terms, np.ones(len(units), np.bool_)).decision.action


def _hanging(facts: Facts, age_days: float, visits_days: float, condition: str) -> UnitSeen:
    """A unit of which nothing but its wick is known, the day before it is visited."""
    charged_at = NOON_OF_A_DAY - visits_days
    nothing = UnitSeen._make([None] * len(UnitSeen._fields))
    return nothing._replace(
        intervals=[],
        installed_at=NOON_OF_A_DAY - age_days,
        group=_group(facts),
        site_kind=facts.site_kind,
        hardness=hardness_class(facts.hardness_mg_per_l),
        liquid=facts.liquid,
        charged_at=charged_at,
        wick_since=NOON_OF_A_DAY - age_days,
        wick_condition=condition,
        wick_checked=charged_at,
        next_on=int(NOON_OF_A_DAY),
        after_on=int(NOON_OF_A_DAY) + round(visits_days),
    )
