"""What the units of one operator have in common, estimated from all their readings at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.censored import bounded_moments, fit_censored
from servicing.rules.dose.model import (
    DIGITS,
    PRIOR_DOSE,
    DoseFit,
    check_nominal,
    eye_variance,
    is_narrow,
)
from servicing.rules.dose.readings import DAYS_PER_YEAR, Readings
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

# How far the operator's own figures may lie from PRIOR_DOSE, as standard deviations; judgement, our own.
MEAN_SD, SEASON_SD = 0.3, 0.1
LOG_SPREAD_SDS = np.array([0.5, 1.0])  # between units, between a unit's intervals
GROUP_SD, GROUP_WEIGHT = 0.05, 2.0  # groups lie within a tenth of the mean; as if two had been seen before
LEAST_BETWEEN, LEAST_VISIT, MOST_SPREAD = 0.01, 0.005, 1.0
OUTLYING_SDS = 4.0
FAR_FROM_OWN = 0.5  # a first look: two thirds more or two fifths less than the unit's middle reading
MOST_STEPS, LEAST_STEPS, SETTLED_AFTER, ENOUGH = 60, 3, 12, 3e-4
ENOUGH_READ = 12  # from here on, a plain regression gives the start
ENOUGH_TO_START = 500  # rows; with more it would start no nearer


def fit_dose(readings: Readings, nominal_ml_per_day: Floats, groups: Sequence[str]) -> DoseFit:
    """Mean, groups, season and the two spreads of an operator's doses; U units, one nominal dose and one group each.

    Marginal likelihood of the normal model with a random unit (Efron & Morris 1975, Carlin & Louis, from memory), with
    weak priors about PRIOR_DOSE, which is what no readings give: the exact rows in closed form, the rows known only
    between bounds (Tobin 1958) as the normal factors that match the moments of theirs (expectation propagation, Minka
    2001, from memory). Fisher scoring on the log spreads, generalised least squares for the rest.

    Rows more than four standard deviations from what the unit's others say are left out, and units as far from the
    others do not enter what is common: a few overlooked faults must not widen what is expected of all. All figures are
    rounded to six decimals. Raises Nonsense for nominal doses that are not positive and for another number of groups.
    """
    check_nominal(nominal_ml_per_day, readings.units)
    if len(groups) != readings.units:
        raise Nonsense(f"Every unit has one group: {readings.units} units, {len(groups)} groups.")
    rows = _Rows.of(readings, nominal_ml_per_day)
    if not len(rows.unit):
        return PRIOR_DOSE
    # Units without a usable row say nothing: the fit is the same with and without them.
    seen = np.unique(rows.unit)
    names = sorted({groups[unit] for unit in seen.tolist()})
    place = {name: index for index, name in enumerate(names)}
    group = np.array([place[groups[unit]] for unit in seen.tolist()], np.int64)
    fitting = _Fitting(replace(rows, unit=np.searchsorted(seen, rows.unit)), group, len(names))
    fitting.run()
    return fitting.answer(names)


@dataclass(frozen=True, slots=True)
class _Rows:
    """The N usable rows: which unit, the log ratio to nominal (``low`` = ``high`` where read), the eye's variance."""

    unit: Ints
    low: Floats
    high: Floats
    eye_var: Floats
    sin: Floats
    cos: Floats
    read: Flags

    @classmethod
    def of(cls, readings: Readings, nominal: Floats) -> _Rows:
        unit, slot = np.nonzero(readings.usable())
        low, high = readings.low_ml[unit, slot], readings.high_ml[unit, slot]
        days = readings.days[unit, slot]
        usual = days * nominal[unit]
        read = is_narrow(low, high, readings.kind[unit, slot])
        middle = np.log(np.where(read, 0.5 * (low + np.where(read, high, low)), 1.0) / usual)
        is_low, is_high = low > 0, np.isfinite(high)
        bottom = np.where(is_low, np.log(np.where(is_low, low, 1.0) / usual), -np.inf)
        top = np.where(is_high, np.log(np.where(is_high, high, 1.0) / usual), np.inf)
        usual_of_own = _middles(unit, middle, read, readings.units)[unit]
        eye = np.where(read, eye_variance(low, np.where(read, high, 0.0), usual * np.exp(usual_of_own)), 0.0)
        middle += 0.5 * eye  # the log of a reading with an error lies half its variance too low on average
        phase = (2 * math.pi / DAYS_PER_YEAR) * (readings.ended_day[unit, slot] - 0.5 * days)
        return cls(
            unit=unit.astype(np.int64),
            low=np.where(read, middle, bottom),
            high=np.where(read, middle, top),
            eye_var=eye,
            sin=np.sin(phase),
            cos=np.cos(phase),
            read=read,
        )


def _middles(unit: Ints, value: Floats, read: Flags, units: int) -> Floats:
    """The median of each unit's read values; 0 where none is read. Rows stand unit by unit."""
    count = np.bincount(unit, minlength=units)
    place = np.arange(len(unit)) - np.repeat(np.cumsum(count) - count, count)
    table = np.full((units, int(count.max(initial=1))), np.inf)
    table[unit, place] = np.where(read, value, np.inf)
    table.sort(axis=1)
    found = np.bincount(unit, read, units).astype(np.int64)
    some = np.flatnonzero(found)
    middle = np.zeros(units)
    middle[some] = 0.5 * (table[some, (found[some] - 1) // 2] + table[some, found[some] // 2])
    return middle


class _Fitting:
    """The state of one fit. Columns of what is common: mean, sin, cos, then the groups' offsets."""

    def __init__(self, rows: _Rows, group: Ints, groups: int) -> None:
        self.rows = rows
        self.group = group
        self.groups = groups
        self.units = len(group)
        # Rows stand unit by unit, and every unit has one.
        self.count = np.bincount(rows.unit, minlength=self.units)
        self.first = np.cumsum(self.count) - self.count
        self.log_sds = np.log([PRIOR_DOSE.between_sd, PRIOR_DOSE.visit_sd])
        self.group_var = GROUP_SD**2
        self.common = np.zeros(3 + groups)
        self.bounded = np.flatnonzero(~rows.read)
        # The normal factors that stand for the bounded rows: precision, and precision times distance from the mean.
        self.factor = np.zeros(len(self.bounded))
        self.pull = np.zeros(len(self.bounded))
        self.read_low = np.where(rows.read, rows.low, 0.0)
        self.kept = self._first_look()
        self.unit_kept = np.ones(self.units, np.bool_)
        self.own = np.zeros(self.units)
        self.own_var = np.full(self.units, PRIOR_DOSE.between_sd**2)
        self._start()
        self.expected = self._expected()

    @property
    def between_var(self) -> float:
        return float(np.exp(2 * self.log_sds[0]))

    @property
    def visit_var(self) -> float:
        return float(np.exp(2 * self.log_sds[1]))

    def _first_look(self) -> Flags:
        """Leave out what is far from the middle of its unit's own readings."""
        rows = self.rows
        middle = _middles(rows.unit, rows.low, rows.read, self.units)
        near = np.abs(self.read_low - self._spread(middle)) <= FAR_FROM_OWN
        return near | ~rows.read

    def _start(self) -> None:
        """The mean of a regression that knows of no units, where there is enough and unlike enough to make one."""
        rows, every = self.rows, np.flatnonzero(self.kept)
        for some in (every[:: 1 + len(every) // ENOUGH_TO_START], every):
            low, read = rows.low[some], rows.read[some]
            if int(read.sum()) >= ENOUGH_READ and float(np.ptp(low[read])) >= LEAST_VISIT:
                start = fit_censored(low, rows.high[some], np.ones((len(some), 1)))
                self.common[0] = float(np.clip(start.coefficients[0], -3 * MEAN_SD, 3 * MEAN_SD))
                return

    def run(self) -> None:
        for step in range(MOST_STEPS):
            self._solve_common()
            self._solve_units()
            if len(self.bounded):
                self._match_bounded()
            changed = step < SETTLED_AFTER and self._leave_out()
            moved = self._move_spreads()
            self._move_group_spread()
            if step >= LEAST_STEPS and not changed and moved < ENOUGH:
                break

    def _expected(self) -> Floats:
        rows = self.rows
        by_unit = self.common[0] + self.common[3:][self.group]
        return self._spread(by_unit) + self.common[1] * rows.sin + self.common[2] * rows.cos

    def _factors(self) -> tuple[Floats, Floats]:
        """Precision of each row, and precision times its distance from what is expected."""
        rows = self.rows
        precision = np.where(self.kept & rows.read, 1.0 / (self.visit_var + rows.eye_var), 0.0)
        pull = precision * (self.read_low - self.expected)
        precision[self.bounded] = np.where(self.kept[self.bounded], self.factor, 0.0)
        pull[self.bounded] = np.where(self.kept[self.bounded], self.pull, 0.0)
        return precision, pull

    def _sum(self, values: Floats) -> Floats:
        return np.add.reduceat(values, self.first)

    def _spread(self, by_unit: Floats) -> Floats:
        return np.repeat(by_unit, self.count)

    def _solve_common(self) -> None:
        """One generalised least squares step from where the common figures are (exact, as it is quadratic)."""
        precision, pull = self._factors()
        left, right = self._normal_equations(precision, pull, (self.rows.sin, self.rows.cos))
        prior = np.concatenate(
            [[MEAN_SD**-2, SEASON_SD**-2, SEASON_SD**-2], np.full(self.groups, 1 / self.group_var)]
        )
        left[np.diag_indices_from(left)] += prior
        right -= prior * self.common
        self.spread_of_common = np.linalg.inv(left)
        move = self.spread_of_common @ right
        self.common = self.common + move
        self.expected = self._expected()
        # The bounded rows' factors stand where they are: their distance from what is expected now is another.
        rows, at = self.rows, self.bounded
        shift = (
            (move[0] + move[3:][self.group])[rows.unit[at]] + move[1] * rows.sin[at] + move[2] * rows.cos[at]
        )
        self.pull = self.pull - self.factor * shift

    def _normal_equations(
        self, precision: Floats, pull: Floats, season: tuple[Floats, Floats]
    ) -> tuple[Floats, Floats]:
        """X'V^-1 X and X'V^-1 r, with V^-1 = P - P 1 1' P between/(1 + between 1'P 1) unit by unit."""
        use = np.where(self.unit_kept, 1.0, 0.0)
        total, ahead = self._sum(precision), self._sum(pull)
        shrink = use / (1.0 + self.between_var * total)
        by_season = [self._sum(precision * x) for x in season]
        left = np.zeros((3 + self.groups, 3 + self.groups))
        right = np.zeros(3 + self.groups)
        own = [total * shrink, *(one * shrink for one in by_season)]
        for i, by_unit in enumerate(own):
            left[i, 0] = left[0, i] = by_unit.sum()
            left[i, 3:] = left[3:, i] = np.bincount(self.group, by_unit, self.groups)
        left[np.arange(3, 3 + self.groups), np.arange(3, 3 + self.groups)] = left[0, 3:]
        right[0] = (ahead * shrink).sum()
        right[3:] = np.bincount(self.group, ahead * shrink, self.groups)
        for i, x in enumerate(season):
            right[1 + i] = (
                self._sum(pull * x) * use - self.between_var * by_season[i] * ahead * shrink
            ).sum()
            for j, other in enumerate(season[: i + 1]):
                both = self._sum(precision * x * other) * use
                both -= self.between_var * by_season[i] * by_season[j] * shrink
                left[1 + i, 1 + j] = left[1 + j, 1 + i] = both.sum()
        return left, right

    def _solve_units(self) -> None:
        """Mean and variance of each unit's distance from its group, given all its rows."""
        self.factors = precision, pull = self._factors()
        self.own_var = 1.0 / (1.0 / self.between_var + self._sum(precision))
        self.own = self.own_var * self._sum(pull)

    def _without(self, at: Ints | slice) -> tuple[Floats, Floats]:
        """Mean and variance of the units of rows ``at``, each without that row, as of the units' last solution."""
        precision, pull = self.factors
        known = 1.0 / self.own_var
        var = 1.0 / np.maximum(self._spread(known)[at] - precision[at], 1.0 / MOST_SPREAD**2 * 1e-3)
        return var * (self._spread(self.own * known)[at] - pull[at]), var

    def _match_bounded(self) -> None:
        at = self.bounded
        mean, var = self._without(at)
        spread = var + self.visit_var
        sd = np.sqrt(spread)
        expected = self.expected[at] + mean
        middle, left = bounded_moments(
            (self.rows.low[at] - expected) / sd, (self.rows.high[at] - expected) / sd
        )
        self.kept[at] = np.abs(middle) <= OUTLYING_SDS
        after_mean = mean + var / sd * middle
        after_var = np.maximum(var - var * var / spread * (1.0 - left), 1e-12)
        self.factor = np.maximum(1.0 / after_var - 1.0 / var, 0.0)
        self.pull = np.where(self.factor > 0, after_mean / after_var - mean / var, 0.0)
        # What the row itself tells of the spread between intervals: its error squared, expected.
        share = self.visit_var / spread
        self.bounded_square = self.visit_var * share * (left + middle * middle) + share * var

    def _leave_out(self) -> bool:
        rows = self.rows
        mean, var = self._without(slice(None))
        distance = self.read_low - self.expected - mean
        spread = np.sqrt(var + self.visit_var + rows.eye_var)
        kept = np.where(rows.read, np.abs(distance) <= OUTLYING_SDS * spread, self.kept)
        unit_kept = self.own**2 <= OUTLYING_SDS**2 * self.between_var
        changed = bool((kept != self.kept).any() or (unit_kept != self.unit_kept).any())
        self.kept, self.unit_kept = kept, unit_kept
        return changed

    def _move_spreads(self) -> float:
        """One Fisher-scoring step on the logs of the spreads; how far it went."""
        rows, tau, sigma = self.rows, self.between_var, self.visit_var
        precision, _ = self._factors()
        error = self.read_low - self.expected - self._spread(self.own)
        square = error * error + self._spread(self.own_var)
        exact = np.where(rows.read, precision, 0.0)
        told = exact * exact * square - exact
        if len(self.bounded):
            told[self.bounded] = np.where(
                self.kept[self.bounded], (self.bounded_square / sigma - 1.0) / sigma, 0.0
            )
        by_visit = 0.5 * float(told.sum())
        by_unit = 0.5 * np.where(self.unit_kept, (self.own**2 + self.own_var) / tau**2 - 1 / tau, 0.0)
        gradient = 2 * np.array([tau * float(by_unit.sum()), sigma * by_visit])
        information = self._information(precision)
        scale = 2 * np.array([tau, sigma])
        information = scale[:, None] * information * scale
        home = np.log([PRIOR_DOSE.between_sd, PRIOR_DOSE.visit_sd])
        gradient -= (self.log_sds - home) / LOG_SPREAD_SDS**2
        information[np.diag_indices(2)] += LOG_SPREAD_SDS**-2.0
        move = np.clip(np.linalg.solve(information, gradient), -0.7, 0.7)
        before = self.log_sds
        least = np.log([LEAST_BETWEEN, LEAST_VISIT])
        self.log_sds = np.clip(before + move, least, math.log(MOST_SPREAD))
        return float(np.abs(self.log_sds - before).max())

    def _information(self, precision: Floats) -> Floats:
        """Expected information in (between, visit) variance of the units' normal marginals, V = D + between 11'."""
        square = precision * precision
        total, squares, cubes = (self._sum(one) for one in (precision, square, square * precision))
        whole = 1.0 + self.between_var * total
        pulled = self.between_var / whole
        between = np.where(self.unit_kept, (total / whole) ** 2, 0.0)
        both = np.where(self.unit_kept, squares / whole**2, 0.0)
        visit = squares - 2 * pulled * cubes + (pulled * squares) ** 2
        cross = float(both.sum())
        return 0.5 * np.array([[float(between.sum()), cross], [cross, float(visit.sum())]])

    def _move_group_spread(self) -> None:
        offsets = self.common[3:]
        var = np.diag(self.spread_of_common)[3:]
        seen = float((offsets**2 + var).sum())
        self.group_var = (GROUP_WEIGHT * GROUP_SD**2 + seen) / (GROUP_WEIGHT + self.groups)

    def answer(self, names: Sequence[str]) -> DoseFit:
        between, visit = (round(float(sd), DIGITS) for sd in np.exp(self.log_sds))
        mean, sin, cos = (float(one) for one in self.common[:3])
        return DoseFit(
            mean=round(mean, DIGITS),
            between_sd=between,
            visit_sd=visit,
            season=(round(sin, DIGITS), round(cos, DIGITS)),
            groups={
                name: round(mean + float(offset), DIGITS)
                for name, offset in zip(names, self.common[3:], strict=True)
            },
            units=self.units,
            readings=len(self.rows.unit),
            censored=len(self.bounded),
        )
