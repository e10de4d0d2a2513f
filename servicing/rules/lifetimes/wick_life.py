"""How long wicks last at one operator's sites, and the chance that a wick fails before the next visit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from servicing.rules.lifetimes.cells import Cells, Floats, Ints
from servicing.rules.lifetimes.condition import ConditionLaw
from servicing.rules.lifetimes.likelihood import STEEPEST, log_ages
from servicing.rules.lifetimes.weibull import LOG_SHAPE_MEAN, LOG_SHAPE_SD, Prior, fit_weibull
from servicing.rules.nonsense import Nonsense

METHOD = "wick-2"  # wick-1 knew one ratio by condition in place of a law
FACTORS = ("site", "hardness", "liquid")
FEWEST_FAILURES = 5  # an operator with fewer gets the prior: judgement, our own
TYPICAL_SCALE_DAYS = 600.0  # judgement, our own, with the two spreads of log scale
LOG_SCALE_SD = 0.5
SHIFT_SD = 0.3
TINIEST = 1e-300
WICKS_AT_ONCE = 512  # what one pass needs stays in the processor's cache
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
WEIGHTS = WEIGHTS / math.sqrt(2 * math.pi)

Label = tuple[str, str, str]
"""Site kind, hardness class and liquid family of a wick."""


def levels_of(label: Label) -> tuple[str, ...]:
    """The label's levels as the fit names them: ("site:office", "hardness:soft", "liquid:acid")."""
    return tuple(f"{factor}:{value}" for factor, value in zip(FACTORS, label, strict=True))


@dataclass(frozen=True)
class WickFit:
    """A Weibull life with one shape and a scale shifted by site kind, hardness class and liquid family.

    ``coefficients``: log of the typical scale in days, then the shift of each of ``levels`` ("site:office", ...).
    ``covariance``: of the coefficients and log shape, shape last. ``from_prior``: the operator's own wicks were too few.
    ``condition_laws``: how wicks last seen good, slow or not at all fail against the curve.
    """

    coefficients: tuple[float, ...]
    log_shape: float
    covariance: tuple[tuple[float, ...], ...]
    levels: tuple[str, ...] = ()
    based_on_wicks: int = 0
    based_on_failures: int = 0
    from_prior: bool = False
    condition_laws: Mapping[str, ConditionLaw] = field(default_factory=dict)
    method: str = METHOD

    @property
    def shape(self) -> float:
        return math.exp(self.log_shape)

    def places(self, labels: Sequence[Label]) -> Ints:
        """(U, 3): where each of U wicks' three levels stands among the coefficients; an unseen level has its own place."""
        known = {level: place for place, level in enumerate(self.levels, 1)}
        unseen = len(self.coefficients)
        rows = {
            label: [known.get(level, unseen + factor) for factor, level in enumerate(levels_of(label))]
            for label in set(labels)
        }
        return np.array([rows[label] for label in labels], np.int64).reshape(-1, len(FACTORS))

    def log_scale(self, places: Ints) -> Floats:
        """(U,): log of the age in days by which 63.2 % of such wicks have failed."""
        shifts, _ = self.padded
        return shifts[0] + shifts[places[:, 0]] + shifts[places[:, 1]] + shifts[places[:, 2]]

    def scale_days(self, places: Ints) -> Floats:
        """(U,): the age in days by which 63.2 % of such wicks have failed."""
        return np.exp(self.log_scale(places))

    def spread_of_scale(self, places: Ints) -> tuple[Floats, Floats]:
        """(U,) each: the variance of log scale, and its covariance with log shape."""
        _, spread = self.padded
        in_force = [np.zeros(len(places), np.int64), *places.T]
        variance, both = np.zeros(len(places)), np.zeros(len(places))
        for one in in_force:
            both += spread[one, -1]
            for other in in_force:
                variance += spread[one, other]
        return variance, both

    def quantile_days(
        self, share: float, places: Ints, *, level: float = 0.95
    ) -> tuple[Floats, Floats, Floats]:
        """(age, low, high), (U,) each: the age in days by which ``share`` of such wicks have failed.

        Interval by the delta method on the log. Raises Nonsense unless 0 < share < 1.
        """
        if not 0 < share < 1:
            raise Nonsense(f"A share of wicks lies between 0 and 1, not at {share}.")
        wait = math.log(-math.log1p(-share)) / self.shape
        variance, both = self.spread_of_scale(places)
        error = np.sqrt(np.maximum(variance - 2 * wait * both + wait * wait * self.covariance[-1][-1], 0.0))
        middle, reach = self.log_scale(places) + wait, float(ndtri((1 + level) / 2)) * error
        return np.exp(middle), np.exp(middle - reach), np.exp(middle + reach)

    @cached_property
    def padded(self) -> tuple[Floats, Floats]:
        """Coefficients and covariance with one level nobody saw per factor: shift 0, the prior's spread; shape last."""
        width = len(self.coefficients)
        shifts = np.append(self.coefficients, np.zeros(len(FACTORS)))
        spread = np.zeros((width + len(FACTORS) + 1,) * 2)
        at = np.append(np.arange(width), width + len(FACTORS))
        spread[np.ix_(at, at)] = self.covariance
        unseen = np.arange(width, width + len(FACTORS))
        spread[unseen, unseen] = SHIFT_SD**2
        return shifts, spread

    def to_json(self) -> dict[str, Any]:
        """Plain values, 9 decimals; ``from_json`` takes them back."""
        return {
            "method": self.method,
            "coefficients": [round(one, 9) for one in self.coefficients],
            "log_shape": round(self.log_shape, 9),
            "covariance": [[round(one, 9) for one in row] for row in self.covariance],
            "levels": list(self.levels),
            "based_on_wicks": self.based_on_wicks,
            "based_on_failures": self.based_on_failures,
            "from_prior": self.from_prior,
            "condition_laws": {
                word: [round(one, 9) for one in law] for word, law in self.condition_laws.items()
            },
        }

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> WickFit:
        """The fit that ``to_json`` wrote. Raises Nonsense for another method's."""
        if said["method"] != METHOD:
            raise Nonsense(f"A wick life fit of method {said['method']} cannot be read as {METHOD}.")
        return cls(
            coefficients=tuple(said["coefficients"]),
            log_shape=said["log_shape"],
            covariance=tuple(tuple(row) for row in said["covariance"]),
            levels=tuple(said["levels"]),
            based_on_wicks=said["based_on_wicks"],
            based_on_failures=said["based_on_failures"],
            from_prior=said["from_prior"],
            condition_laws={word: ConditionLaw(*law) for word, law in said["condition_laws"].items()},
        )


PRIOR_WICK = WickFit(
    coefficients=(math.log(TYPICAL_SCALE_DAYS),),
    log_shape=LOG_SHAPE_MEAN,
    covariance=((LOG_SCALE_SD**2, 0.0), (0.0, LOG_SHAPE_SD**2)),
    from_prior=True,
)


def fit_wick_life(cells: Cells, labels: Sequence[Label], prior: WickFit = PRIOR_WICK) -> WickFit:
    """One operator's wick life: the posterior mode and Laplace's covariance under ``prior``, from its own wicks only.

    ``cells`` in days; the cells of code g are wicks at places that ``labels[g]`` describes. Shifts are drawn towards 0
    (sd 0.3 of log scale), so that a level with few failures stays near the operator's typical scale. Under 5 failures,
    or where the lives decide no curve, the answer is the prior's, and says so. Raises Nonsense when a code has no label.
    """
    wicks, failures = cells.lives, cells.failures
    if cells.code.size and int(cells.code.max()) >= len(labels):
        raise Nonsense(f"Group {int(cells.code.max())} of the wicks has no label.")
    if failures < FEWEST_FAILURES:
        return replace(prior, based_on_wicks=wicks, based_on_failures=failures, from_prior=True)
    levels = tuple(sorted({level for code in np.unique(cells.code) for level in levels_of(labels[code])}))
    design = np.zeros((len(labels), len(levels) + 1))
    design[:, 0] = 1
    for row, label in zip(design, labels, strict=True):
        row[[1 + levels.index(level) for level in levels_of(label) if level in levels]] = 1
    held = Prior(
        mean=(prior.coefficients[0],) + (0.0,) * len(levels),
        sd=(math.sqrt(prior.covariance[0][0]),) + (SHIFT_SD,) * len(levels),
        log_shape_mean=prior.log_shape,
        log_shape_sd=math.sqrt(prior.covariance[-1][-1]),
    )
    try:
        fit = fit_weibull(cells, design, held)
    except Nonsense:
        # Lives so alike that not even the prior holds the shape: the operator's nights go on with the prior.
        return replace(prior, based_on_wicks=wicks, based_on_failures=failures, from_prior=True)
    return WickFit(
        coefficients=tuple(fit.coefficients.tolist()),
        log_shape=fit.log_shape,
        covariance=tuple(map(tuple, fit.covariance.tolist())),
        levels=levels,
        based_on_wicks=wicks,
        based_on_failures=failures,
        condition_laws=prior.condition_laws,
    )


def hazard_between(fit: WickFit, places: Ints, age_days: ArrayLike, next_days: ArrayLike) -> Floats:
    """(U,): the cumulative hazard H(age + next) - H(age) of each of U wicks under the curve alone.

    Raises Nonsense for an age or a time ahead that is negative or not a number.
    """
    now, then = _log_ages(places, age_days, next_days)
    log_scale = fit.log_scale(places)
    return _hazard(then, log_scale, fit.shape) - _hazard(now, log_scale, fit.shape)


def relative_hazard(fit: WickFit, places: Ints, age_days: ArrayLike, next_days: ArrayLike) -> Floats:
    """(U,): the curve's mean hazard a day over the time ahead, over its hazard at the age of its scale.

    Raises Nonsense as ``hazard_between``, and for no time ahead.
    """
    days = np.asarray(next_days, np.float64)
    if not (days > 0).all():
        raise Nonsense("A mean hazard needs some time ahead.")
    return hazard_between(fit, places, age_days, days) / days * fit.scale_days(places) / fit.shape


def conditional_failure(
    fit: WickFit,
    places: Ints,
    age_days: ArrayLike,
    next_days: ArrayLike,
    hazard_ratio: ArrayLike = 1.0,
    *,
    level: float = 0.95,
) -> tuple[Floats, Floats, Floats]:
    """(chance, low, high), (U,) each: that a wick working at ``age_days`` has failed ``next_days`` later.

    The parameters are normal around the fit; each of 81 points of them (Gauss-Hermite, 9 by 9) weighs as much as it
    lets a wick reach its age: 1 - E[S(age) exp(-ratio (H(age + next) - H(age)))] / E[S(age)]. The interval is that of
    the chance itself, ``level`` wide, log of the hazard taken as normal. Source: the law of total probability; the rule,
    Golub and Welsch 1969 (from memory). Elementwise: a wick's figures do not depend on the others'.
    Raises Nonsense for an age, a time ahead or a ratio that is negative or not a number.
    """
    reach = float(ndtri((1 + level) / 2))
    size = len(places)
    chance, low, high = np.empty(size), np.empty(size), np.empty(size)
    for part, share, ahead in _shares(fit, places, age_days, next_days, hazard_ratio):
        total, log_ahead = _summed(share), np.log(ahead)
        middle = _summed(share * log_ahead) / total
        square = _summed(share * log_ahead * log_ahead) / total
        error = reach * np.sqrt(np.maximum(square - middle * middle, 0.0))
        chance[part] = _chance(share, ahead, total)
        low[part] = np.minimum(chance[part], _failed(middle - error))
        high[part] = np.maximum(chance[part], _failed(middle + error))
    return chance, low, high


def failure_chance(
    fit: WickFit, places: Ints, age_days: ArrayLike, next_days: ArrayLike, hazard_ratio: ArrayLike = 1.0
) -> Floats:
    """The chance alone of ``conditional_failure``, in half the time."""
    chance = np.empty(len(places))
    for part, share, ahead in _shares(fit, places, age_days, next_days, hazard_ratio):
        chance[part] = _chance(share, ahead, _summed(share))
    return chance


def _shares(
    fit: WickFit, places: Ints, age_days: ArrayLike, next_days: ArrayLike, hazard_ratio: ArrayLike
) -> Iterator[tuple[slice, Floats, Floats]]:
    """Some wicks at a time: the share of each point of the parameters in them and their hazard ahead there, (81, U)."""
    now, then = _log_ages(places, age_days, next_days)
    ratio = np.broadcast_to(np.asarray(hazard_ratio, np.float64), now.shape)
    if not ((ratio >= 0) & np.isfinite(ratio)).all():
        raise Nonsense("A hazard ratio is negative or not a number.")
    for start in range(0, now.size, WICKS_AT_ONCE):
        part = slice(start, start + WICKS_AT_ONCE)
        weights, log_scale, shape = _parameters(fit, places[part])
        lived = _hazard(now[part], log_scale, shape)
        ahead = np.maximum(ratio[part] * (_hazard(then[part], log_scale, shape) - lived), TINIEST)
        # The least hazard so far is taken out of all: the shares of an old wick would else all be 0.
        yield part, weights * np.exp(lived.min(axis=0) - lived), ahead


def _chance(share: Floats, ahead: Floats, total: Floats) -> Floats:
    return np.maximum(1.0 - _summed(share * np.exp(-ahead)) / total, 0.0)


def _summed(points: Floats) -> Floats:
    """(U,) of (81, U), one point after the other, so that the order of the sums is the same in every batch."""
    return np.add.accumulate(points, axis=0)[-1]


def _log_ages(places: Ints, age_days: ArrayLike, next_days: ArrayLike) -> tuple[Floats, Floats]:
    age, ahead = (
        np.broadcast_to(np.asarray(each, np.float64), len(places)) for each in (age_days, next_days)
    )
    if not ((age >= 0) & (ahead >= 0) & np.isfinite(age + ahead)).all():
        raise Nonsense("A wick's age or the time to its next visit is negative or not a number.")
    return log_ages(age), log_ages(age + ahead)


def _hazard(log_age: Floats, log_scale: Floats, shape: Floats | float) -> Floats:
    return np.exp(np.minimum(shape * (log_age - log_scale), STEEPEST))


def _parameters(fit: WickFit, places: Ints) -> tuple[Floats, Floats, Floats]:
    """81 points of log scale (81, U) and shape (81, 1), and their weights (81, 1), which sum to 1."""
    centre, (variance, both) = fit.log_scale(places), fit.spread_of_scale(places)
    shape_sd = math.sqrt(fit.covariance[-1][-1])
    slope = both / max(shape_sd, TINIEST)
    own = np.sqrt(np.maximum(variance - slope * slope, 0.0))
    first, second = np.repeat(NODES, len(NODES))[:, None], np.tile(NODES, len(NODES))[:, None]
    weights = np.repeat(WEIGHTS, len(NODES)) * np.tile(WEIGHTS, len(NODES))
    shape = np.array([math.exp(fit.log_shape + shape_sd * node) for node in NODES])
    return weights[:, None], centre + slope * first + own * second, np.repeat(shape, len(NODES))[:, None]


def _failed(log_hazard: Floats) -> Floats:
    return -np.expm1(-np.exp(np.minimum(log_hazard, STEEPEST)))
