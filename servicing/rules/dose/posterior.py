"""What one unit's own readings say of its dose, after each visit, and how far each reading was from what was expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.censored import bounded_moments
from servicing.rules.dose.model import (
    FARTHEST_LOG,
    DoseFit,
    check_nominal,
    eye_variance,
    is_narrow,
    season_at,
)
from servicing.rules.dose.readings import DISTURBED, MISSING, RAN_DRY, UNTOUCHED, Readings
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

OUTLYING_SDS = 4.0
CHUNK_UNITS = 8_192  # what one slot of a chunk needs stays in the processor's cache


@dataclass(frozen=True, slots=True)
class Posterior:
    """Of U units: ``n`` readings entered (U,), ``mean`` and ``var`` (U,) of log(dose/nominal) without the season.

    By slot (U, K), each reckoned before the slot's own reading entered: ``z``, how many predictive standard deviations
    it lay above what was expected (0 where nothing was read), ``expected_ml`` to drip out over its days (the median; 0
    where nothing was read), and ``kept``, whether it entered.
    """

    n: NDArray[np.int64]
    mean: Floats
    var: Floats
    z: Floats
    expected_ml: Floats
    kept: Flags


def fold_posterior(
    readings: Readings, nominal_ml_per_day: Floats, prior_mean: Floats, fit: DoseFit
) -> Posterior:
    """Fold U units' readings, oldest first, into what is thought of each unit's dose.

    Normal prior (``prior_mean`` (U,), ``fit.between_sd``) and normal readings on the log scale: conjugate updating.
    Readings known only as bounds multiply in a difference of two Phi; mean and variance of the product are matched
    (Tobin 1958 for the likelihood; moment matching as in assumed-density filtering, Minka 2001, from memory).

    A reading more than four predictive standard deviations off does not enter: it more likely tells of a fault than of
    the dose. Two such in a row on the same side that agree with each other do, and replace all before: the unit drips
    otherwise now. A unit's result is the same whatever units are folded beside it. Raises Nonsense for arrays of wrong
    shape, nominal doses that are not positive, and prior means that are not finite.
    """
    units, slots = readings.units, readings.slots
    check_nominal(nominal_ml_per_day, units)
    if prior_mean.shape != (units,) or not (np.abs(prior_mean) <= FARTHEST_LOG).all():
        raise Nonsense(f"Prior means are one number a unit, ({units},), and logs of a ratio.")
    z, expected = np.zeros((slots, units)), np.zeros((slots, units))
    kept = np.zeros((slots, units), np.bool_)
    n, mean, var = np.zeros(units, np.int64), np.empty(units), np.empty(units)
    for start in range(0, units, CHUNK_UNITS):
        part = slice(start, start + CHUNK_UNITS)
        state = _State(prior_mean[part].copy(), fit)
        for slot in range(slots):
            row = _row(readings, part, slot, nominal_ml_per_day[part])
            if row is not None:
                z[slot, part], expected[slot, part], kept[slot, part] = state.enter(row)
        n[part], mean[part], var[part] = state.n, state.mean, state.var
    return Posterior(n, mean, var, z.T, expected.T, kept.T)


@dataclass(frozen=True, slots=True)
class _Row:
    """One slot of one chunk: ``usual_ml`` is what the nominal dose would have let through."""

    kind: NDArray[np.int8]
    low: Floats
    high: Floats
    middle_day: Floats
    usual_ml: Floats


def _row(readings: Readings, part: slice, slot: int, nominal: Floats) -> _Row | None:
    kind = readings.kind[part, slot]
    if not kind.any():
        return None
    silent = (kind == MISSING) | (kind == DISTURBED)
    days = np.where(silent, 1.0, readings.days[part, slot])
    middle = readings.ended_day[part, slot] - 0.5 * days
    low = np.where(silent, 1.0, readings.low_ml[part, slot])
    high = np.where(silent, 2.0, readings.high_ml[part, slot])
    return _Row(kind, low, high, np.where(silent, 0.0, middle), days * nominal)


@dataclass(frozen=True, slots=True)
class _Value:
    """What the slot's rows say where they are ``narrow``: log ratio without the season, and its variance."""

    narrow: Flags
    value: Floats
    own_var: Floats
    season: Floats


class _State:
    """What is thought of each unit of a chunk so far; ``off_*`` is the last reading that did not enter."""

    def __init__(self, prior_mean: Floats, fit: DoseFit) -> None:
        self.fit = fit
        self.visit_var = fit.visit_sd**2
        self.mean = prior_mean
        self.var = np.full(len(prior_mean), fit.between_sd**2)
        self.n = np.zeros(len(prior_mean), np.int64)
        self.off_side = np.zeros(len(prior_mean), np.int8)
        self.off_at = np.zeros(len(prior_mean))
        self.off_var = np.ones(len(prior_mean))

    def enter(self, row: _Row) -> tuple[Floats, Floats, Flags]:
        """z, expected mL and whether kept of the slot's rows; afterwards the state has those that are kept."""
        season = season_at(self.fit, row.middle_day)
        expected = row.usual_ml * np.exp(self.mean + season)
        narrow = is_narrow(row.low, row.high, row.kind)
        middle = np.where(narrow, 0.5 * (row.low + row.high), row.usual_ml)
        eye_var = np.where(narrow, eye_variance(row.low, np.where(narrow, row.high, 1.0), expected), 0.0)
        # The log of a reading with an error lies half its variance too low on average.
        value = np.log(middle / row.usual_ml) - season + 0.5 * eye_var
        own_var = self.visit_var + eye_var
        spread = self.var + own_var
        error = value - self.mean
        z = np.where(narrow, error / np.sqrt(spread), 0.0)
        kept = narrow & (np.abs(z) <= OUTLYING_SDS)
        gain = np.where(kept, self.var / spread, 0.0)
        bounded = np.flatnonzero((row.kind != MISSING) & (row.kind != DISTURBED) & ~narrow)
        if len(bounded):
            self._enter_bounded(row, season, bounded, z, kept)
        self.mean += gain * error
        self.var *= 1.0 - gain
        self.n += kept
        self._watch(row, z, kept, _Value(narrow, value, own_var, season))
        return z, np.where(narrow | (z != 0), expected, _if_bounded(expected, bounded)), kept

    def _enter_bounded(self, row: _Row, season: Floats, at: Ints, z: Floats, kept: Flags) -> None:
        """Moment matching for rows that are known only between bounds."""
        shift = season[at] + self.mean[at]
        spread = self.var[at] + self.visit_var
        sd = np.sqrt(spread)
        usual, low, high = row.usual_ml[at], row.low[at], row.high[at]
        is_low, is_high = low > 0, np.isfinite(high)
        bottom = np.where(is_low, (np.log(np.where(is_low, low / usual, 1.0)) - shift) / sd, -np.inf)
        top = np.where(is_high, (np.log(np.where(is_high, high / usual, 1.0)) - shift) / sd, np.inf)
        middle, left = bounded_moments(bottom, top)
        near = np.abs(middle) <= OUTLYING_SDS
        gain = np.where(near, self.var[at] / spread, 0.0)
        self.mean[at] += gain * sd * middle
        self.var[at] *= 1.0 - gain * (1.0 - left)
        z[at], kept[at] = middle, near

    def _watch(self, row: _Row, z: Floats, kept: Flags, read: _Value) -> None:
        """Remember what did not enter; a second reading like it starts the unit anew."""
        self.off_side[kept | (row.kind == DISTURBED)] = 0
        off = np.flatnonzero((np.abs(z) > OUTLYING_SDS) & (row.kind != UNTOUCHED))
        if not len(off):
            return
        side = np.where(z[off] > 0, 1, -1).astype(np.int8)
        dry = row.kind[off] == RAN_DRY
        at = np.where(dry, np.log(row.low[off] / row.usual_ml[off]) - read.season[off], read.value[off])
        var, before, var_before = read.own_var[off], self.off_at[off], self.off_var[off]
        agree = np.abs(at - before) <= OUTLYING_SDS * np.sqrt(var + var_before)
        again = (side == self.off_side[off]) & agree & (read.narrow[off] | dry)
        anew, weight = off[again], (var_before / (var + var_before))[again]
        self.mean[anew] = (before + (at - before))[again] * weight + before[again] * (1.0 - weight)
        self.var[anew] = (var * var_before / (var + var_before))[again]
        self.n[anew] = 2
        kept[anew] = True
        self.off_side[off] = np.where(again, 0, side)
        self.off_at[off], self.off_var[off] = at, var


def _if_bounded(expected: Floats, bounded: Ints) -> Floats:
    shown = np.zeros(len(expected))
    shown[bounded] = expected[bounded]
    return shown
