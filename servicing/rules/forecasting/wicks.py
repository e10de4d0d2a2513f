"""How likely wicks are to fail, and what pays at the next visit, for a fleet at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicing.rules.forecasting.fits import WickFits
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen
from servicing.rules.lifetimes.wick_life import conditional_failure, hazard_between
from servicing.rules.replacement import WickCosts, WickDecision, wick_decision

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

NOON = 0.5
SECONDS_PER_DAY = 86_400
# Where no agreement says when a visit is due, one a month is reckoned with.
DAYS_BETWEEN = 30
MONTH_DAYS = 365.25 / 12
LEAST_RATIO, GREATEST_RATIO = 0.01, 100.0


@dataclass(frozen=True, slots=True)
class Wicks:
    """Of U wicks, each (U,): ``born``, day of the calendar, of one of unknown age the day its unit was installed, since
    when it is at least that old; ``next_at``: the next visit, noon; ``interval_days`` from that to the one after it.
    ``places``: of its labels in the curve; ``ratio``: of its hazard, by the condition last seen.
    """

    fits: WickFits
    places: NDArray[np.int64]
    born: Floats
    ratio: Floats
    next_at: Floats
    interval_days: Floats


@dataclass(frozen=True, slots=True)
class WickForecast:
    """``chance`` (U,) of having failed by the next visit; ``decision``: what pays at that visit, till the one after it."""

    chance: Floats
    decision: WickDecision


def wicks_of(units: Sequence[UnitSeen], fits: WickFits) -> Wicks:
    """The wicks of these units under an operator's curve."""
    life = fits.life
    ratios = life.condition_ratios
    next_on = [_next_on(one) for one in units]
    interval = [
        max(1, one.after_on - one.next_on) if one.after_on and one.next_on else DAYS_BETWEEN for one in units
    ]
    ratio = np.array([_ratio(one, ratios, fits.recovery) for one in units], np.float64)
    return Wicks(
        fits=fits,
        places=life.places([(one.site_kind, one.hardness, one.liquid) for one in units]),
        born=np.array(
            [one.installed_at if one.wick_since is None else one.wick_since for one in units], np.float64
        ),
        ratio=np.clip(ratio, LEAST_RATIO, GREATEST_RATIO),
        next_at=np.array(next_on, np.float64) + NOON,
        interval_days=np.array(interval, np.float64),
    )


def hazard_per_day(wicks: Wicks, units: Sequence[UnitSeen]) -> Floats:
    """(U,): the hazard that a wick fails, a day, level over the time from its last exchange to the next visit."""
    filled = np.array([one.charged_at or one.installed_at for one in units], np.float64)
    age = np.maximum(0.0, filled - wicks.born)
    days = np.maximum(1.0, wicks.next_at - filled)
    return wicks.ratio * hazard_between(wicks.fits.life, wicks.places, age, days) / days


def wick_forecast(
    wicks: Wicks, units: Sequence[UnitSeen], terms: ForecastTerms, is_sound: Flags
) -> WickForecast:
    """``is_sound`` (U,): the last exchange's reading was as expected, so that the wick still worked then."""
    life = wicks.fits.life
    seen = np.array([_seen_days(one) for one in units], np.float64)
    filled = np.array([one.charged_at or one.installed_at for one in units], np.float64)
    working = np.maximum(seen, np.where(is_sound, np.maximum(0.0, filled - wicks.born), 0.0))
    age = np.maximum(wicks.next_at - wicks.born, 0.0)
    chance, _, _ = conditional_failure(
        life, wicks.places, working, np.maximum(age - working, 0.0), wicks.ratio
    )
    costs = WickCosts(
        terms.wick_change_cost, terms.wick_failure_cost, terms.wick_down_day_cost, terms.wick_wash_cost
    )
    # So that units with one plan share what is reckoned for it.
    usual = np.maximum(1.0, np.rint(wicks.interval_days / MONTH_DAYS)) * MONTH_DAYS
    decision = wick_decision(
        life.scale_days(wicks.places),
        life.shape,
        wicks.ratio,
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


def _ratio(one: UnitSeen, ratios: Mapping[str, float], recovery: float) -> float:
    """The hazard's ratio by the condition last seen; of a wick washed since: as good as new if that helped, else slow."""
    if one.wick_condition is not None:
        return ratios.get(one.wick_condition, 1.0)
    if one.wick_washed is not None:
        return recovery + (1 - recovery) * ratios.get("slow", 1.0)
    return ratios.get("unseen", 1.0)


def _seen_days(one: UnitSeen) -> float:
    """The age at which the wick was last seen not failed; 0 of one whose age is not known."""
    if one.wick_good_s is None or one.wick_since_s is None:
        return 0.0
    return max(0, one.wick_good_s - one.wick_since_s) / SECONDS_PER_DAY
