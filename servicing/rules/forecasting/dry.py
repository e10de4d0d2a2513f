"""When units run dry and whether their output drifts, for a fleet at once: what the rows of outlooks are written from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.model import prior_means
from servicing.rules.dose.posterior import Posterior, fold_posterior
from servicing.rules.dose.readings import SLOTS, Readings, readings_of
from servicing.rules.dose.reservoir import SECONDS_PER_DAY, Balances, balances_of, charged_levels
from servicing.rules.drift import Drift, Limits, drift, limits_for
from servicing.rules.drying import (
    DoseAhead,
    Slowing,
    cartridge_level_ml,
    chance_dry_before,
    dose_ahead,
    dry_days,
)
from servicing.rules.forecasting.fits import DoseFits
from servicing.rules.forecasting.seen import ForecastTerms, UnitSeen

Floats = NDArray[np.float64]

# The ordinal of 1 January 1970: days of the readings count from there.
EPOCH_DAY = 719_163
# A day's visit comes at noon.
NOON = 0.5
MONTH_DAYS = 365.25 / 12
# What a worn wick still lets through. Judgement, our own: between the dead wick (nothing) and one that only tires.
FLOW_AFTER_FAILURE = 0.35
EARLY, MEDIAN, LATE = 0.1, 0.5, 0.9


@dataclass(frozen=True, slots=True)
class WayToDry:
    """What lies between U units and dry: the mL each probably holds, the doses ahead, and what may slow it down."""

    level_ml: Floats
    ahead: DoseAhead
    slowing: Slowing


@dataclass(frozen=True, slots=True)
class DryForecast:
    """Of U units, each array (U,): times in days from the reading of the level, NaN where no level is known.

    ``dose``: mL a day until dry; ``median``, ``earliest`` and ``latest``: until dry (50, 10 and 90 %); ``emptied``: until the
    cartridge is used up; ``chance``: of running dry before noon of the next due day; ``target``: until the chance of
    being dry reaches what the operator accepts. They follow from ``way``.
    """

    readings: Readings
    posterior: Posterior
    drift: Drift
    way: WayToDry
    dose: Floats
    median: Floats
    earliest: Floats
    latest: Floats
    emptied: Floats
    chance: Floats
    target: Floats


@dataclass(frozen=True, slots=True)
class FleetRead:
    """What crews read of U units, in columns; made once where units are both learnt from and forecast."""

    balances: Balances
    readings: Readings


def fleet_read(intervals: Sequence[Sequence[list[Any]]]) -> FleetRead:
    """The intervals of units, as ``UnitHistory`` keeps them, in columns; no more slots than the longest has."""
    slots = min(SLOTS, max((len(rows) for rows in intervals), default=0) or 1)
    balances = balances_of(intervals, slots)
    return FleetRead(balances, readings_of(balances, slots=slots))


def dry_forecast(
    units: Sequence[UnitSeen],
    fits: DoseFits,
    terms: ForecastTerms,
    wick_hazard_per_day: Floats,
    read: FleetRead | None = None,
) -> DryForecast:
    """The forecast of units whose nominal dose is known; ``wick_hazard_per_day`` (U,) that their wicks fail.

    ``read``: their intervals in columns, where they are made already.
    """
    read = read or fleet_read([one.intervals for one in units])
    readings = read.readings
    nominal = np.array([one.nominal_ml_per_day or 1.0 for one in units])
    posterior = fold_posterior(
        readings, nominal, prior_means(fits.fit, [one.group for one in units]), fits.fit
    )
    way = _way(units, nominal, read, posterior, fits)
    known, level_at, filled, ahead = way.known, way.level_at, way.filled, way.dose
    slowing = Slowing(
        wick_hazard_per_day,
        np.full(len(units), FLOW_AFTER_FAILURE),
        np.full(len(units), fits.stops_per_day),
    )
    working = [working_level_ml(one) for one in units]
    emptied, *dry = _days(
        (cartridge_level_ml(filled, _numbers(working, 0.0)), filled, filled, filled, filled),
        (MEDIAN, EARLY, MEDIAN, LATE, terms.dry_target),
        ahead,
        slowing,
    )
    earliest, median, latest, target = (np.where(known, days, np.nan) for days in dry)
    is_fed = known & np.array([level is not None for level in working], np.bool_)
    until = _numbers([one.next_on for one in units]) + NOON - level_at
    return DryForecast(
        readings=readings,
        posterior=posterior,
        drift=_drift(
            units, read, posterior, chart_limits(terms.false_alarms_per_1000, fits.resets_per_reading)
        ),
        way=WayToDry(filled, ahead, slowing),
        dose=np.exp(np.where(known, ahead.log_mean, np.log(nominal) + posterior.mean)),
        median=median,
        earliest=earliest,
        latest=latest,
        emptied=np.where(is_fed, emptied, np.nan),
        chance=_chance(filled, until, ahead, slowing, known),
        target=target,
    )


@dataclass(frozen=True, slots=True)
class _Ahead:
    """Where each unit's way to dry begins: whether its level is known, when it was read, what it was; and the dose ahead."""

    known: NDArray[np.bool_]
    level_at: Floats
    filled: Floats
    dose: DoseAhead


def _way(
    units: Sequence[UnitSeen], nominal: Floats, read: FleetRead, posterior: Posterior, fits: DoseFits
) -> _Ahead:
    level = _numbers([one.level_ml for one in units])
    known = np.isfinite(level)
    level_at = np.where(known, _numbers([one.level_at for one in units]), 0.0)
    filled, level_sd = charged_levels(read.balances, np.where(known, level, 0.0), _exchanged_day(units))
    dose = dose_ahead(
        posterior,
        fits.fit,
        nominal,
        level_ml=filled,
        level_day=np.where(known, level_at - EPOCH_DAY, 0.0),
        level_sd_ml=level_sd,
        interval_days=_interval_days(read.readings),
    )
    return _Ahead(known, level_at, filled, dose)


def _drift(units: Sequence[UnitSeen], read: FleetRead, posterior: Posterior, limits: Limits) -> Drift:
    kind, slots = read.readings.kind, read.readings.slots
    since = wick_slots(read.balances, [one.wick_since_s for one in units], slots)
    return drift(posterior.z, kind, posterior.kept, since, limits)


def _days(
    levels: Sequence[Floats], quantiles: Sequence[float], ahead: DoseAhead, slowing: Slowing
) -> Sequence[Floats]:
    """The quantiles of the time until each of these levels is used up, all in one pass: what a pass costs is its start."""
    times = len(levels)
    found = dry_days(
        np.concatenate(levels),
        DoseAhead(np.tile(ahead.log_mean, times), np.tile(ahead.log_sd, times)),
        np.repeat(quantiles, len(levels[0])),
        Slowing(
            np.tile(slowing.hazard_per_day, times),
            np.tile(slowing.flow_after, times),
            np.tile(slowing.stops_per_day, times),
        ),
    )
    return np.split(found, times)


@lru_cache(maxsize=256)
def chart_limits(false_alarms_per_1000: float, resets_per_reading: float) -> Limits:
    """The limits of the drift chart; the same values give the same limits."""
    return limits_for(false_alarms_per_1000, resets_per_reading=resets_per_reading)


def working_level_ml(one: UnitSeen) -> float | None:
    """What the unit's reservoir held when it was last read while the cartridge still fed it; None when it never was."""
    for _, _, _, left, before, _, _ in reversed(one.intervals):
        if left and before:
            return float(before)
    return None


def wick_slots(balances: Balances, wick_since_s: Sequence[int | None], slots: int) -> NDArray[np.int64]:
    """(U,): the first slot after each unit's last wick change, ``slots`` when it was after the latest of them; -1 where
    all its readings are of one wick.
    """
    since, ended, count = _numbers(wick_since_s), balances.rows[:, 0], balances.count
    later = np.bincount(balances.unit, ended > since[balances.unit], len(count)).astype(np.int64)
    has_before = np.zeros(len(count), np.bool_)
    some = np.flatnonzero(count)
    has_before[some] = ended[(balances.ends - count)[some]] <= since[some]
    return np.where(has_before, slots - later, -1)


def _interval_days(readings: Readings) -> Floats:
    """(U,): how long a unit's intervals were on average; a month where it has none."""
    total, count = np.zeros(readings.units), np.zeros(readings.units)
    usable = readings.usable()
    for slot in range(readings.slots):
        total += np.where(usable[:, slot], readings.days[:, slot], 0.0)
        count += usable[:, slot]
    return np.where(count > 0, total / np.maximum(count, 1.0), MONTH_DAYS)


def _exchanged_day(units: Sequence[UnitSeen]) -> Floats:
    """(U,): when the latest exchange ended its interval, days since 1970-01-01 UTC, if the level is from then; else NaN."""
    return _numbers(
        [
            one.intervals[-1][0] / SECONDS_PER_DAY
            if one.intervals and one.level_at == one.charged_at
            else None
            for one in units
        ]
    )


def _chance(
    level: Floats, until: Floats, ahead: DoseAhead, slowing: Slowing, known: NDArray[np.bool_]
) -> Floats:
    asked = known & np.isfinite(until)
    days = np.clip(np.where(asked, until, 0.0), 0.0, None)
    return np.where(asked, chance_dry_before(level, days, ahead, slowing), np.nan)


def _numbers(values: Sequence[float | None], missing: float = np.nan) -> Floats:
    return np.array([missing if value is None else value for value in values], np.float64)
