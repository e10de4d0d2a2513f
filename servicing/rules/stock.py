"""What a van and the depot should carry: how much to stock against an uncertain need. Quantities in pieces.

Costs are per piece and period, in one currency: ``holding`` for one too many, ``shortage`` for one too few.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr, ndtri
from scipy.stats import nbinom

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

_TAIL = 1e-15
_SIGMAS = (
    12  # beyond this many standard deviations, and as many pieces, a Poisson need has no weight in a float
)
_MAX_LEVEL = 100_000
_MAX_ORDER_COST = 1_000


@dataclass(frozen=True, slots=True)
class ReorderPolicy:
    """At ``reorder_at`` pieces or fewer, order up to ``order_up_to``; ``cost`` a period in the long run."""

    reorder_at: int
    order_up_to: int
    cost: float


def newsvendor_normal(holding: float, shortage: float, mean: float, sd: float) -> tuple[float, float]:
    """The stock that is cheapest against a normal need, and its cost: F(y) = shortage / (shortage + holding).

    Source: Snyder & Shen, Fundamentals of Supply Chain Theory, section 4.3 (as quoted by stockpyl).
    """
    ratio = _critical_ratio(holding, shortage)
    _need(mean >= 0 and 0 < sd < np.inf, f"A need of {mean} with standard deviation {sd} is none.")
    z = float(ndtri(ratio))
    return mean + z * sd, (holding + shortage) * sd * float(np.exp(-z * z / 2) / np.sqrt(2 * np.pi))


def newsvendor_poisson(holding: float, shortage: float, mean: float) -> tuple[int, float]:
    """The smallest stock y with F(y) >= shortage / (shortage + holding) for a Poisson need, and its cost."""
    ratio = _critical_ratio(holding, shortage)
    level = smallest_covering(poisson_chances(mean), ratio)
    short, over = poisson_loss(level, mean)
    return level, holding * over + shortage * short


def economic_order_quantity(per_order: float, holding: float, demand_rate: float) -> tuple[float, float]:
    """Pieces to order at once and the cost a period: sqrt(2 K d / h), sqrt(2 K d h) (Harris 1913)."""
    _need(
        all(0 < value < np.inf for value in (per_order, holding, demand_rate)),
        "The cost of an order, of holding, and the demand are more than 0.",
    )
    quantity = float(np.sqrt(2 * per_order * demand_rate / holding))
    return quantity, quantity * holding


def standard_loss(z: ArrayLike) -> Floats:
    """E[(Z - z)+] of a standard normal Z: phi(z) - z (1 - Phi(z)), array or number."""
    x = np.asarray(z, dtype=np.float64)
    _need(bool(np.isfinite(x).all()), "The standard loss takes numbers.")
    return np.maximum(np.exp(-x * x / 2) / np.sqrt(2 * np.pi) - x * ndtr(-x), 0.0)


def fill_rate_normal(level: float, mean: float, sd: float) -> float:
    """Share of a normal need that a stock fills: 1 - sd G(z) / mean, never below 0."""
    _need(0 < mean < np.inf and 0 < sd < np.inf, f"A need of {mean} with standard deviation {sd} is none.")
    return max(0.0, 1 - sd * float(standard_loss((level - mean) / sd)) / mean)


def poisson_loss(level: int, mean: float) -> tuple[float, float]:
    """E[(D - level)+] and E[(level - D)+] of a Poisson need D: pieces short, pieces over."""
    return expected_loss(level, poisson_chances(mean), mean)


def negative_binomial_loss(level: int, r: float, p: float) -> tuple[float, float]:
    """The same for a negative binomial need (r successes of chance p; mean r (1 - p) / p)."""
    _need(0 < r < np.inf and 0 < p < 1, f"No need is negative binomial with r {r} and p {p}.")
    mean = r * (1 - p) / p
    chances = nbinom.pmf(np.arange(max(level, 0) + 1), r, p)
    return expected_loss(level, chances, mean)


def negative_binomial_of(mean: float, variance: float) -> tuple[float, float]:
    """The r and p of the method of moments, for a need that spreads more than Poisson: r = mean^2 / (variance - mean)."""
    _need(0 < mean < variance < np.inf, "A negative binomial need varies more than its mean.")
    return mean**2 / (variance - mean), mean / variance


def expected_loss(level: int, chances: Floats, mean: float) -> tuple[float, float]:
    """Pieces short and over at a stock, for a need of ``mean`` with ``chances[d]`` of d pieces, at least up to level."""
    _need(0 <= level <= _MAX_LEVEL, f"A stock is 0 to {_MAX_LEVEL:,} pieces, not {level}.")
    shown = chances[: level + 1]
    over = float((level - np.arange(shown.size)) @ shown)
    return max(0.0, mean - level + over), over


def poisson_chances(mean: float) -> Floats:
    """P(D = d) of a Poisson need for d = 0, 1, ... as far as it has any weight."""
    _need(0 <= mean <= _MAX_LEVEL, f"A mean need is 0 to {_MAX_LEVEL:,} pieces, not {mean}.")
    if mean == 0:
        return np.ones(1)
    pieces = np.arange(int(mean + _SIGMAS * np.sqrt(mean)) + _SIGMAS + 1, dtype=np.float64)
    return np.exp(pieces * np.log(mean) - mean - gammaln(pieces + 1))


def failing_chances(chance_each: ArrayLike) -> Floats:
    """P(k of the planned units need a wick), k = 0..n, from each unit's own chance (n,): Poisson-binomial.

    Exact, one convolution a unit; a Poisson of the same mean spreads more. No unit: no need.
    """
    each = np.asarray(chance_each, dtype=np.float64).ravel()
    _need(bool(((each >= 0) & (each <= 1)).all()), "A chance is 0 to 1.")
    chances = np.zeros(each.size + 1)
    chances[0] = 1.0
    for n, chance in enumerate(each, start=1):
        chances[1 : n + 1] = chances[1 : n + 1] * (1 - chance) + chances[:n] * chance
        chances[0] *= 1 - chance
    return chances


def smallest_covering(chances: Floats, service: float) -> int:
    """The smallest stock that covers the need with at least the chance ``service``."""
    _need(0 <= service < 1, f"A stock covers the need with a chance from 0 to below 1, not {service}.")
    covered = np.cumsum(chances)
    return min(int(np.searchsorted(covered, service - _TAIL)), chances.size - 1)


def lead_time_need(
    per_period: float, variance_per_period: float, lead_mean: float, lead_variance: float
) -> tuple[float, float]:
    """Mean and variance of what is needed while an order is under way: d L and L v + d^2 var(L)."""
    given = (per_period, variance_per_period, lead_mean, lead_variance)
    _need(all(0 <= value < np.inf for value in given), "Needs, times and their variances are 0 or more.")
    return per_period * lead_mean, lead_mean * variance_per_period + per_period**2 * lead_variance


def reorder_cost(
    reorder_at: int, order_up_to: int, chances: Floats, *, holding: float, shortage: float, per_order: float
) -> float:
    """Long-run cost a period of a reorder policy, orders arriving at once, by the renewal equations.

    [K + sum over j < S - s of m(j) G(S - j)] / sum of m(j), with m(j) the expected visits to the level j below S.
    Source: Veinott & Wagner 1965; Zheng & Federgruen 1991 (from memory).
    """
    _need(order_up_to > reorder_at, "The level to order up to lies above the one to reorder at.")
    _critical_ratio(holding, shortage)
    visits = _visits(order_up_to - reorder_at, chances)
    costs = np.array(
        [_one_period(level, holding, shortage, chances) for level in range(order_up_to, reorder_at, -1)]
    )
    return (per_order + float(visits @ costs)) / float(visits.sum())


def best_reorder(holding: float, shortage: float, per_order: float, chances: Floats) -> ReorderPolicy:
    """The cheapest reorder policy of all, orders arriving at once; ``chances[d]`` of needing d pieces a period.

    The search of Zheng & Federgruen 1991 (from memory): from the newsvendor's stock down to the best reorder level,
    then upwards as long as one period at the upper level costs no more than the best policy found.
    """
    _need(
        0 <= per_order <= _MAX_ORDER_COST * min(holding, shortage),
        f"An order costs 0 to {_MAX_ORDER_COST:,} times what a piece too many or too few does, not {per_order}.",
    )
    _need(
        bool((chances >= 0).all()) and abs(float(chances.sum()) - 1) < 1e-9 and chances[0] < 1,  # noqa: PLR2004
        "The chances of each need add up to 1, and some need comes up.",
    )

    def cost(low: int, up: int) -> float:
        return reorder_cost(low, up, chances, holding=holding, shortage=shortage, per_order=per_order)

    def period(level: int) -> float:
        return _one_period(level, holding, shortage, chances)

    start = smallest_covering(chances, _critical_ratio(holding, shortage))
    up, low = start, start - 1
    while cost(low, up) > period(low):
        low -= 1
    best = cost(low, up)
    level = up + 1
    while period(level) <= best:
        if cost(low, level) < best:
            up = level
            while cost(low, up) <= period(low + 1):
                low += 1
            best = cost(low, up)
        level += 1
    return ReorderPolicy(low, up, best)


def _visits(levels: int, chances: Floats) -> Floats:
    """m(0..levels-1): m(0) = 1 / (1 - p0), m(j) = sum over l = 1..j of p_l m(j - l) / (1 - p0)."""
    stays = 1 - float(chances[0])
    _need(stays > 0, "Without any need nothing is ever ordered.")
    visits = np.zeros(levels)
    visits[0] = 1 / stays
    for j in range(1, levels):
        reach = min(j, chances.size - 1)
        visits[j] = float(chances[1 : reach + 1] @ visits[j - reach : j][::-1]) / stays
    return visits


def _one_period(level: int, holding: float, shortage: float, chances: Floats) -> float:
    pieces = level - np.arange(chances.size)
    return float(np.where(pieces > 0, holding * pieces, -shortage * pieces) @ chances)


def _critical_ratio(holding: float, shortage: float) -> float:
    _need(0 < holding < np.inf and 0 < shortage < np.inf, "Holding and shortage each cost more than 0.")
    return shortage / (shortage + holding)


def _need(holds: bool, sentence: str) -> None:  # noqa: FBT001 - the condition is what it is about
    if not holds:
        raise Nonsense(sentence)
