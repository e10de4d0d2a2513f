"""How likely wicks are to fail, and what pays at the next visit, for a fleet at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicing.rules.forecasting.fits import WickFits
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.lifetimes.condition import ConditionLaw, law_ratio
from servicing.rules.lifetimes.wick_life import WickFit, failure_chance, hazard_between, relative_hazard
from servicing.rules.replacement import WickCosts, WickDecision, wick_decision

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

NOON = 0.5
SECONDS_PER_DAY = 86_400
# Where no agreement says when a visit is due, one a month is reckoned with.
DAYS_BETWEEN = 30
MONTH_DAYS = 365.25 / 12
SOONEST_DAYS = 0.5
LEAST_RATIO, GREATEST_RATIO = 0.001, 1_000.0
AS_THE_CURVE = ConditionLaw(1.0)


@dataclass(frozen=True, slots=True)
class Wicks:
    """Of U wicks, each (U,): ``born``, day of the calendar, of one of unknown age the day its unit was installed, since
    when it is at least that old; ``next_at``: the next visit, noon; ``interval_days`` from that to the one after it.
    ``places``: of its labels in the curve; ``law`` (3, U): of its hazard, by the condition last seen; ``sound_share``: the
    chance that it is as good as new although it was seen slow, because it was washed.
    """

    fits: WickFits
    places: NDArray[np.int64]
    born: Floats
    law: Floats
    sound_share: Floats
    next_at: Floats
    interval_days: Floats

    def ratio(self, age_days: Floats, next_days: Floats) -> Floats:
        """(U,): of the hazard from an age over a time ahead to that of the curve."""
        relative = relative_hazard(self.fits.life, self.places, age_days, next_days)
        by_look = np.clip(law_ratio(tuple(self.law), relative, next_days), LEAST_RATIO, GREATEST_RATIO)
        return self.sound_share + (1.0 - self.sound_share) * by_look


@dataclass(frozen=True, slots=True)
class WickForecast:
    """``chance`` (U,) of having failed by the next visit; ``decision``: what pays at that visit, till the one after it."""

    chance: Floats
    decision: WickDecision


def wicks_of(units: Sequence[UnitSeen], fits: WickFits) -> Wicks:
    """The wicks of these units under an operator's curve."""
    life = fits.life
    next_on = [_next_on(one) for one in units]
    interval = [
        max(1, one.after_on - one.next_on) if one.after_on and one.next_on else DAYS_BETWEEN for one in units
    ]
    return Wicks(
        fits=fits,
        places=life.places([(one.site_kind, one.hardness, one.liquid) for one in units]),
        born=np.array(
            [one.installed_at if one.wick_since is None else one.wick_since for one in units], np.float64
        ),
        law=np.array([_law(one, life) for one in units], np.float64).reshape(-1, 3).T,
        sound_share=np.array([fits.recovery if _is_washed(one) else 0.0 for one in units], np.float64),
        next_at=np.array(next_on, np.float64) + NOON,
        interval_days=np.array(interval, np.float64),
    )


def hazard_per_day(wicks: Wicks, units: Sequence[UnitSeen]) -> Floats:
    """(U,): the hazard that a wick fails, a day, level over the time from its last exchange to the next visit, or until
    the unit would be dry at its nominal dose if that is sooner: what comes after says nothing of when it is dry.
    """
    filled = np.array([one.charged_at or one.installed_at for one in units], np.float64)
    age = np.maximum(0.0, filled - wicks.born)
    days = np.maximum(1.0, np.minimum(wicks.next_at - filled, _nominal_days(units)))
    return wicks.ratio(age, days) * hazard_between(wicks.fits.life, wicks.places, age, days) / days


def wick_forecast(
    wicks: Wicks, units: Sequence[UnitSeen], terms: ForecastTerms, is_sound: Flags
) -> WickForecast:
    """``is_sound`` (U,): the last exchange's reading was as expected, so that the wick still worked then."""
    life = wicks.fits.life
    seen = np.array([_seen_days(one) for one in units], np.float64)
    filled = np.array([one.charged_at or one.installed_at for one in units], np.float64)
    working = np.maximum(seen, np.where(is_sound, np.maximum(0.0, filled - wicks.born), 0.0))
    age = np.maximum(wicks.next_at - wicks.born, 0.0)
    ahead = np.maximum(age - working, SOONEST_DAYS)
    chance = failure_chance(life, wicks.places, working, ahead, wicks.ratio(working, ahead))
    costs = WickCosts(
        terms.wick_change_cost, terms.wick_failure_cost, terms.wick_down_day_cost, terms.wick_wash_cost
    )
    # So that units with one plan share what is reckoned for it.
    usual = np.maximum(1.0, np.rint(wicks.interval_days / MONTH_DAYS)) * MONTH_DAYS
    decision = wick_decision(
        life.scale_days(wicks.places),
        life.shape,
        wicks.ratio(age, wicks.interval_days),
        age,
        next_days=wicks.interval_days,
        costs=costs,
        wash_success=wicks.fits.recovery,
        usual_days=usual,
    )
    return WickForecast(chance, decision)


def _next_on(one: UnitSeen) -> int:
    if one.next_on is not None:
        return one.next_on
    return int(one.level_at or one.charged_at or one.installed_at) + DAYS_BETWEEN


def _nominal_days(units: Sequence[UnitSeen]) -> Floats:
    """(U,): days until dry at the nominal dose; inf where level or dose is not known."""
    return np.array(
        [
            one.level_ml / one.nominal_ml_per_day if one.level_ml and one.nominal_ml_per_day else np.inf
            for one in units
        ],
        np.float64,
    )


def _law(one: UnitSeen, life: WickFit) -> ConditionLaw:
    """By the condition last seen; a wick that was washed since had been seen slow."""
    condition = "slow" if _is_washed(one) else one.wick_condition or "unseen"
    return life.condition_laws.get(condition, AS_THE_CURVE)


def _is_washed(one: UnitSeen) -> bool:
    """Whether the wick was washed and nobody has looked at it since."""
    return one.wick_condition is None and one.wick_washed is not None


def _seen_days(one: UnitSeen) -> float:
    """The age at which the wick was last seen not failed; 0 of one whose age is not known."""
    if one.wick_good_s is None or one.wick_since_s is None:
        return 0.0
    return max(0, one.wick_good_s - one.wick_since_s) / SECONDS_PER_DAY
