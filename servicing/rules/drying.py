"""When a unit runs dry, and how sure that is. Volumes mL, times in days from the reading of the level.

The dose over the time ahead is log-normal: ``log_mean`` and ``log_sd`` of mL a day. A constant dose to the last drop is a
simplification: the tail of an emptying reservoir drips slower, so that truly dry is a little later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from servicing.rules.dose.model import FARTHEST_LOG, LEAST_SPREAD, DoseFit, season_at
from servicing.rules.dose.posterior import Posterior
from servicing.rules.dose.readings import MOST_ML
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

LONGEST_DAYS = 3_650.0
CHUNK_UNITS = 16_384
DAY_IN_LOG = 1e-4
LEVEL_SD_ML = 2.5  # a full cartridge is known; the reservoir is read to 5 mL, give or take half of that
_PULLS = 3
_SURE = 0.995
_HALVINGS = 24


@dataclass(frozen=True, slots=True)
class Slowing:
    """The chance that a unit drips less, or stops, on the way (each (U,)).

    ``hazard_per_day``: that the wick fails, after which ``flow_after`` (0 <= share < 1) of the dose still drips;
    ``stops_per_day``: that the outlet plugs and nothing drips any more. Both constant over the time ahead.
    Raises Nonsense for hazards that are negative or not finite, and shares outside [0, 1).
    """

    hazard_per_day: Floats
    flow_after: Floats
    stops_per_day: Floats

    def __post_init__(self) -> None:
        for hazard in (self.hazard_per_day, self.stops_per_day):
            if not ((hazard >= 0) & np.isfinite(hazard)).all():
                raise Nonsense("A hazard is a finite number of 0 a day or more.")
        if not ((self.flow_after >= 0) & (self.flow_after < 1)).all():
            raise Nonsense("What still drips afterwards is a share of 0 or more and below 1.")


@dataclass(frozen=True, slots=True)
class DoseAhead:
    """``log_mean`` and ``log_sd`` (U,) of the mL a day that a unit will drip until it is dry."""

    log_mean: Floats
    log_sd: Floats


def dose_ahead(
    posterior: Posterior,
    fit: DoseFit,
    nominal_ml_per_day: Floats,
    *,
    level_ml: Floats,
    level_day: Floats,
    level_sd_ml: Floats | float = LEVEL_SD_ML,
    interval_days: Floats | None = None,
) -> DoseAhead:
    """The dose to expect from the reading of a level on: the unit's own, at the season of the middle of the time until it
    is dry, with the unit's uncertainty, the spread between its intervals, and the level's own error.

    All (U,); ``level_day`` days since 1970-01-01 UTC. ``interval_days``: how long the unit's intervals are; where it
    lasts longer than one, their spread averages out over it (None: it does not). Raises Nonsense for levels below 0 or
    not finite.
    """
    _check_level(level_ml)
    own = np.log(nominal_ml_per_day) + posterior.mean
    half = np.minimum(0.5 * level_ml * np.exp(-own), LONGEST_DAYS)
    log_mean = own + season_at(fit, level_day + half)
    error = level_sd_ml / np.maximum(np.maximum(level_ml, level_sd_ml), 1e-9)
    visit_var = np.full(level_ml.shape, fit.visit_sd**2)
    if interval_days is not None:
        visit_var *= np.minimum(1.0, interval_days / np.maximum(2 * half, DAY_IN_LOG))
    return DoseAhead(log_mean, np.sqrt(posterior.var + visit_var + error * error))


def chance_dry_before(
    level_ml: Floats, days: Floats, ahead: DoseAhead, slowing: Slowing | None = None
) -> Floats:
    """P(dry within ``days``) (U,): with T the time the dose as it is would take, P(T <= days and nothing slows it down).

    T is log-normal; a unit that slows at time t < T to a share f is still dry by D if T - t <= (D - t)/f. So of T <= D
    the wick must last g = max(0, T - f D)/(1 - f) and the outlet T. Both enter as exp(-hazard x E[. | T <= D]), with the
    partial means of the log-normal (E[T; T <= D] = M Phi(x - s), M = exp(m + s^2/2)); a second failure on top of the
    first is left out. Our own derivation. Raises Nonsense for negative or non-finite levels, days or spreads.
    """
    _check_level(level_ml)
    _check_ahead(ahead, level_ml.shape)
    if days.shape != level_ml.shape or not ((days >= 0) & np.isfinite(days)).all():
        raise Nonsense("Days ahead are finite and 0 or more, one a unit.")
    chance = np.empty(level_ml.shape)
    for start in range(0, len(chance), CHUNK_UNITS):
        part = slice(start, start + CHUNK_UNITS)
        way = _Way.of(level_ml[part], ahead, slowing, part)
        time = np.maximum(days[part], DAY_IN_LOG)
        chance[part] = np.where(days[part] > 0, way.chance(np.log(time), time), 0.0)
    return np.where(level_ml > 0, chance, 1.0)


def dry_days(
    level_ml: Floats, ahead: DoseAhead, quantile: Floats | float, slowing: Slowing | None = None
) -> Floats:
    """The time by which the unit is dry with probability ``quantile`` (U,), in days; at most 3,650.

    The inverse of ``chance_dry_before``; ``quantile`` is one for all or one a unit. Raises Nonsense for a quantile outside
    (0, 1), else as there.
    """
    _check_level(level_ml)
    _check_ahead(ahead, level_ml.shape)
    wanted = np.broadcast_to(np.asarray(quantile, np.float64), level_ml.shape)
    if not ((wanted > 0) & (wanted < 1)).all():
        raise Nonsense(f"A probability lies between 0 and 1, not {quantile}.")
    days = np.empty(level_ml.shape)
    for start in range(0, len(days), CHUNK_UNITS):
        part = slice(start, start + CHUNK_UNITS)
        days[part] = _Way.of(level_ml[part], ahead, slowing, part).quantile(wanted[part])
    return np.where(level_ml > 0, np.minimum(days, LONGEST_DAYS), 0.0)


def latest_day(level_ml: Floats, ahead: DoseAhead, target: float, slowing: Slowing | None = None) -> Floats:
    """The most whole days the unit can be left so that P(dry before) stays at or below ``target`` (U,)."""
    return np.floor(dry_days(level_ml, ahead, target, slowing))


def cartridge_level_ml(level_ml: Floats, working_level_ml: Floats | float) -> Floats:
    """What of a level drips before the cartridge is empty: the reservoir keeps its working level until then (U,).

    Put in place of the level, it makes every function here tell of the empty cartridge instead of the dry reservoir.
    """
    return np.maximum(level_ml - working_level_ml, 0.0)


def _check_level(level_ml: Floats) -> None:
    if not ((level_ml >= 0) & (level_ml <= MOST_ML)).all():
        raise Nonsense("A level is a finite number of 0 mL or more.")


def _check_ahead(ahead: DoseAhead, shape: tuple[int, ...]) -> None:
    if ahead.log_mean.shape != shape or ahead.log_sd.shape != shape:
        raise Nonsense("Levels and doses are one a unit.")
    in_reach = (ahead.log_sd >= LEAST_SPREAD) & (ahead.log_sd <= FARTHEST_LOG)
    if not (in_reach & (np.abs(ahead.log_mean) <= 2 * FARTHEST_LOG)).all():
        raise Nonsense("A dose ahead has a finite mean and a spread above 0.")


@dataclass(frozen=True, slots=True)
class _Way:
    """A chunk's way to dry: log T ~ normal(``middle``, ``sd``), and what can slow it."""

    middle: Floats
    sd: Floats
    mean_days: Floats
    hazard: Floats | None
    share: Floats
    stops: Floats

    @classmethod
    def of(cls, level: Floats, ahead: DoseAhead, slowing: Slowing | None, part: slice) -> _Way:
        sd = ahead.log_sd[part]
        middle = np.log(np.where(level > 0, level, 1.0)) - ahead.log_mean[part]
        none = np.zeros(0)
        if slowing is None:
            return cls(middle, sd, none, None, none, none)
        days = np.exp(np.minimum(middle + 0.5 * sd * sd, math.log(LONGEST_DAYS) * 2))
        return cls(
            middle,
            sd,
            days,
            slowing.hazard_per_day[part],
            slowing.flow_after[part],
            slowing.stops_per_day[part],
        )

    def only(self, at: NDArray[np.int64]) -> _Way:
        assert self.hazard is not None
        return _Way(
            self.middle[at], self.sd[at], self.mean_days[at], self.hazard[at], self.share[at], self.stops[at]
        )

    def chance(self, log_days: Floats, days: Floats) -> Floats:
        at = (log_days - self.middle) / self.sd
        undisturbed = ndtr(at)
        if self.hazard is None:
            return undisturbed
        return undisturbed * np.exp(-self._delay(at, undisturbed, days))

    def _delay(self, at: Floats, undisturbed: Floats, days: Floats) -> Floats:
        """-log of the chance that nothing slows the unit, given that undisturbed it would be dry within ``days``."""
        assert self.hazard is not None
        within = self.mean_days * ndtr(at - self.sd)
        sure = np.maximum(undisturbed, 1e-250)
        to_stop = np.minimum(within / sure, days)
        # Dry so early that even the slowed unit would be: they need the wick only up to f D, below it not at all.
        with_share = self.share > 0
        first = at + np.log(np.where(with_share, self.share, 1.0)) / self.sd
        early, early_days = ndtr(first), self.mean_days * ndtr(first - self.sd)
        early = np.where(with_share, early, 0.0)
        early_days = np.where(with_share, early_days, 0.0)
        to_slow = (within - early_days - self.share * days * (undisturbed - early)) / (
            sure * (1.0 - self.share)
        )
        return self.hazard * np.clip(to_slow, 0.0, to_stop) + self.stops * to_stop

    def quantile(self, q: Floats) -> Floats:
        middle_x = ndtri(q)
        if self.hazard is None:
            return np.exp(np.minimum(self.middle + middle_x * self.sd, 60.0))
        x = middle_x
        for _ in range(_PULLS):
            days = np.exp(np.minimum(self.middle + x * self.sd, 60.0))
            chance = ndtr(x)
            needed = q * np.exp(np.minimum(self._delay(x, chance, days), 60.0))
            x = ndtri(np.minimum(needed, _SURE))
        days = np.exp(np.minimum(self.middle + x * self.sd, 60.0))
        late = np.flatnonzero(needed >= _SURE)
        if len(late):
            days[late] = self.only(late).late(q[late])
        return days

    def late(self, q: Floats) -> Floats:
        """Where the quantile lies among the slowed units: by halving between the undisturbed middle and the longest."""
        low, high = (
            np.minimum(self.middle, math.log(LONGEST_DAYS)),
            np.full(len(self.middle), math.log(LONGEST_DAYS)),
        )
        for _ in range(_HALVINGS):
            half = 0.5 * (low + high)
            enough = self.chance(half, np.exp(half)) >= q
            low, high = np.where(enough, low, half), np.where(enough, half, high)
        return np.exp(high)
