"""When to change a wick: expected cost, with failures that are seen only at visits. Ages and times in days.

A wick's life is Weibull with scale ``eta`` and shape ``beta``; ``hazard_ratio`` multiplies the hazard of the wicks
that were last seen in the same condition. A wick that fails between two visits hangs failed until the next one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import gamma, gammainc, gammaincc

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

WAIT, WASH, CHANGE = 0, 1, 2
MAX_AGE_DAYS = 36_525.0  # an age that is reached only after a hundred years counts as never
_FINEST = 2_000.0
_MAX_VISITS = 20_000
_MAX_AHEAD = 400
_BLOCK, _SLICE = 32, 4_096
# Powers (age / eta) ** beta: S = exp(-power) of 1 in 1,000 and of 1e-9; share that fails in an interval of a smooth sum.
_FEW_LEFT, _ALL_FAILED, _SMOOTH = 6.9, 20.7, 0.05
_NONE_LEFT = 1e-9
_HALVINGS = 17  # of MAX_AGE_DAYS, down to one day
_FEW = 32
_ROOTS, _WEIGHTS = np.polynomial.legendre.leggauss(6)
_NODES, _SHARES = (1 + _ROOTS) / 2, _WEIGHTS / 2


@dataclass(frozen=True, slots=True)
class WickCosts:
    """What an operator pays, all in its one currency: ``change`` for a wick changed before it failed, ``failure`` for
    one found failed (its change included), ``down_day`` for each day a failed wick hangs unseen, ``wash`` for a wash.

    Raises Nonsense for a cost that is negative or no number.
    """

    change: float
    failure: float
    down_day: float
    wash: float

    def __post_init__(self) -> None:
        for name in ("change", "failure", "down_day", "wash"):
            cost = getattr(self, name)
            if not 0 <= cost < np.inf:
                raise Nonsense(f"The cost {name} is an amount, 0 or more, not {cost}.")


@dataclass(frozen=True, slots=True)
class ChangePolicy:
    """The cheapest age to change at, for all time: (U,) cost a day, and the age in days (inf: run to failure)."""

    cost_per_day: Floats
    change_age_days: Floats


@dataclass(frozen=True, slots=True)
class WickDecision:
    """What to do now, one row a unit; money in the costs' currency.

    ``action`` int8: WAIT, WASH or CHANGE. ``p_fail``: chance that the wick, left alone, fails before the next visit.
    ``saving``: what the advised action saves against waiting; where the advice is to wait, what changing now would
    save, which is 0 or less. ``watch_age_days``: first age in whole days at which the advice is no longer to wait
    (inf: never, run to failure).
    """

    action: NDArray[np.int8]
    p_fail: Floats
    saving: Floats
    watch_age_days: Floats


def wick_decision(
    eta: ArrayLike,
    beta: ArrayLike,
    hazard_ratio: ArrayLike,
    age: ArrayLike,
    *,
    next_days: ArrayLike,
    costs: WickCosts,
    wash_success: ArrayLike,
    usual_days: ArrayLike | None = None,
) -> WickDecision:
    """Change now, wash or wait, for wicks that have not failed; all arrays (U,) or one value for all.

    ``next_days`` to the next visit, ``usual_days`` between visits after it (None: the same). Waiting one interval costs
    P(fails) (failure - change) + down_day E(down days), and changing puts a new wick in, whose time costs the best
    policy's rate g*: change now iff waiting costs more than g* next_days (one-step look-ahead on the renewal-reward
    rate of ``change_policy``; our own derivation). A wash that succeeds, with chance ``wash_success``, takes the hazard
    ratio back to 1 and leaves the age; it is worth the difference of the two wicks' further cost, each changed at its
    own best visit. Never change where ``beta`` <= 1 or a failure costs less than a change: run to failure.
    Raises Nonsense for values outside the module's limits.
    """
    usual = next_days if usual_days is None else usual_days
    eta, beta, ratio, age, days, success, usual = _rows(
        eta, beta, hazard_ratio, age, next_days, wash_success, usual
    )
    _check_life(eta, beta)
    _check(ratio, 1e-3, 1e3, "A hazard ratio")
    _check(age, 0.0, MAX_AGE_DAYS, "A wick's age in days")
    _check(days, 1e-3, MAX_AGE_DAYS, "The time to the next visit in days")
    _check(usual, 1e-3, MAX_AGE_DAYS, "The time between visits in days")
    _check(success, 0.0, 1.0, "The chance that a wash succeeds")

    wicks = _Wicks(eta, beta, ratio, _rates(eta, beta, usual, costs))
    p_fail, waiting = _waiting(wicks, age, days, costs)
    saving = waiting - wicks.rate * days
    never = (beta <= 1) | (costs.failure < costs.change)
    action = np.where((saving > 0) & ~never, CHANGE, WAIT).astype(np.int8)
    watch = np.where(never, np.inf, _watch_age(wicks, usual, costs))

    slow = np.flatnonzero((ratio > 1) & (success > 0))
    as_is = _further(wicks.at(slow), age[slow], days[slow], usual[slow], costs)
    recovered = wicks.at(slow, ratio=1.0)
    gain = (
        success[slow] * (as_is - _further(recovered, age[slow], days[slow], usual[slow], costs)) - costs.wash
    )
    cheaper = (gain > 0) & ((as_is < gain) | never[slow])
    action[slow[cheaper]] = WASH
    saving[slow[cheaper]] = gain[cheaper]
    saving = np.where(action == WAIT, np.minimum(saving, 0.0), saving)
    watch = np.where(action == WAIT, watch, np.minimum(watch, np.floor(age)))
    return WickDecision(action, p_fail, saving, watch)


def change_policy(eta: ArrayLike, beta: ArrayLike, visit_days: ArrayLike, costs: WickCosts) -> ChangePolicy:
    """The visit N at which a wick is best changed, visited every ``visit_days``, and the cost a day g(N) of doing so.

    g(N) = [change S(N d) + sum over k of failure (S((k-1) d) - S(k d)) + down_day E(days failed unseen in interval k)]
    / [d sum of S((k-1) d)], k = 1..N: a failure found at the last visit counts as one (renewal-reward; our own
    derivation after Barlow & Hunter 1960, whose g it becomes as d goes to 0 and down_day is 0). With ``beta`` > 1 an
    interval costs more the older the wick, so g falls until an interval costs more than g: that N is the best.
    Where ``beta`` <= 1 or a failure costs less than a change, and where fewer than one wick in 1,000 would live to be
    changed, it is run to failure. Visits closer than eta / 2,000 are reckoned as that far apart.
    """
    eta, beta, days = _rows(eta, beta, visit_days)
    _check_life(eta, beta)
    _check(days, 1e-3, MAX_AGE_DAYS, "The time between visits in days")
    first, back = _distinct(eta, beta, days)
    rate, change_age = np.empty(first.size), np.empty(first.size)
    for start in range(0, first.size, _SLICE):
        rows = first[start : start + _SLICE]
        wicks = _Wicks(eta[rows], beta[rows], np.ones(rows.size), np.full(rows.size, np.inf))
        found = _policies(wicks, np.maximum(days[rows], eta[rows] / _FINEST), costs)
        rate[start : start + _SLICE], change_age[start : start + _SLICE] = found
    return ChangePolicy(rate[back], change_age[back])


def age_cost_rate(
    survival: Callable[[Floats], Floats], change_age_days: float, change: float, failure: float
) -> float:
    """Cost a day of changing at an age when a failure is seen at once: [change S(T) + failure F(T)] / int_0^T S.

    Source: Barlow & Hunter 1960; Barlow & Proschan 1965 (from memory). ``survival`` takes ages (n,) and gives S (n,).
    """
    if not 0 < change_age_days < np.inf:
        raise Nonsense(f"The age to change at is more than 0 days, not {change_age_days}.")
    roots, weights = np.polynomial.legendre.leggauss(64)
    mean_days = change_age_days / 2 * float(weights @ survival(change_age_days * (1 + roots) / 2))
    unfailed = float(survival(np.array([change_age_days]))[0])
    return (change * unfailed + failure * (1 - unfailed)) / mean_days


def best_change_age(eta: float, beta: float, change: float, failure: float) -> tuple[float, float]:
    """The best age to change a wick at if a failure were seen at once, and its cost a day: age in days, or inf.

    Solves h(T) int_0^T S - F(T) = change / (failure - change) (Barlow & Hunter 1960). Without a solution, where
    ``beta`` <= 1 or failure <= change, the answer is to run to failure: inf and failure / mean life.
    """
    _check_life(np.array([eta]), np.array([beta]))
    mean_days = eta * float(gamma(1 + 1 / beta))
    if beta <= 1 or failure <= change:
        return np.inf, failure / mean_days
    if change <= 0:
        raise Nonsense("A change that costs nothing is best made all the time: there is no best age.")

    def surplus(age_days: float) -> float:
        power = (age_days / eta) ** beta
        lived = mean_days * float(gammainc(1 / beta, power))
        return beta * power / age_days * lived + float(np.expm1(-power)) - change / (failure - change)

    upper = eta
    while surplus(upper) < 0:
        upper *= 2
        if upper > eta * 2.0**20:
            return np.inf, failure / mean_days
    age = float(brentq(surplus, eta * 1e-9, upper, xtol=1e-9))
    return age, (failure - change) * beta * (age / eta) ** beta / age


@dataclass(frozen=True, slots=True)
class _Wicks:
    """Arrays (U,): life, hazard ratio, and what a new wick costs a day under the best policy (g*)."""

    eta: Floats
    beta: Floats
    ratio: Floats
    rate: Floats

    def at(self, rows: NDArray[np.intp], ratio: float | None = None) -> _Wicks:
        kept = self.ratio[rows] if ratio is None else np.full(rows.size, ratio)
        return _Wicks(self.eta[rows], self.beta[rows], kept, self.rate[rows])


def _waiting(wicks: _Wicks, age: Floats, days: Floats, costs: WickCosts) -> tuple[Floats, Floats]:
    """P(fails in the next ``days``) and what leaving the wick in costs above changing it at their end."""
    before = (age / wicks.eta) ** wicks.beta

    def failed_by(later: Floats) -> Floats:
        return -np.expm1(-wicks.ratio * ((later / wicks.eta) ** wicks.beta - before))

    p_fail = failed_by(age + days)
    failed_share: Floats = np.zeros_like(p_fail)
    if costs.down_day:
        by_node = (-1, *[1] * p_fail.ndim)
        at_nodes = failed_by(age + _NODES.reshape(by_node) * days)
        # One node after the other, so that the order of the sums is the same in every batch.
        failed_share = np.add.accumulate(_SHARES.reshape(by_node) * at_nodes, axis=0)[-1]
    return p_fail, (costs.failure - costs.change) * p_fail + costs.down_day * days * failed_share


def _policies(wicks: _Wicks, days: Floats, costs: WickCosts) -> tuple[Floats, Floats]:
    """Cost a day and age to change at of distinct wicks, a block of visits at a time."""
    ages_out = (wicks.beta > 1) & (costs.failure >= costs.change)
    cost, time = np.full(days.size, float(costs.change)), np.zeros(days.size)
    change_age = np.full(days.size, np.inf)
    going = np.arange(days.size)
    for visit in range(0, _MAX_VISITS, _BLOCK):
        left, step = wicks.at(going), days[going]
        spent, lived, dearer = _block(left, visit, step, (cost[going], time[going]), costs)
        is_best = ages_out[going] & dearer.any(axis=1)
        end = np.where(is_best, dearer.argmax(axis=1), _BLOCK)
        row = np.arange(going.size)
        cost[going], time[going] = spent[row, end], lived[row, end]
        change_age[going[is_best]] = (visit + end[is_best]) * step[is_best]

        power = ((visit + _BLOCK) * step / left.eta) ** left.beta
        is_smooth = left.beta * power < _SMOOTH * (visit + _BLOCK)
        is_over = (power > _ALL_FAILED) | (is_smooth & ((power > _FEW_LEFT) | ~ages_out[going]))
        out = going[~is_best & is_over]
        spent_on, lived_on = _run_out(wicks.at(out), (visit + _BLOCK) * days[out], days[out], costs)
        cost[out] += spent_on
        time[out] += lived_on
        going = going[~is_best & ~is_over]
        if not going.size:
            break
    return cost / time, change_age


def _block(
    wicks: _Wicks, visit: int, days: Floats, so_far: tuple[Floats, Floats], costs: WickCosts
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Cost and days (n, block + 1) of changing at each visit of a block, and whether the interval then costs more."""
    step = days[:, None]
    ages = (visit + np.arange(_BLOCK)) * step
    columns = _Wicks(wicks.eta[:, None], wicks.beta[:, None], wicks.ratio[:, None], wicks.rate[:, None])
    waiting = _waiting(columns, ages, step, costs)[1]
    unfailed = np.exp(-((ages / columns.eta) ** columns.beta))
    spent = np.cumsum(np.column_stack([so_far[0], unfailed * waiting]), axis=1)
    lived = np.cumsum(np.column_stack([so_far[1], unfailed * step]), axis=1)
    return spent, lived, waiting * lived[:, :-1] > spent[:, :-1] * step


def _run_out(wicks: _Wicks, age: Floats, days: Floats, costs: WickCosts) -> tuple[Floats, Floats]:
    """Cost and days of running to failure all that is left at an age: Euler and Maclaurin's sum over the visits."""
    power = (age / wicks.eta) ** wicks.beta
    unfailed = np.exp(-power)
    lived = wicks.eta * gamma(1 + 1 / wicks.beta) * gammaincc(1 / wicks.beta, power)
    visited = lived + unfailed * days * (0.5 + wicks.beta * power / age * days / 12)
    return (costs.failure - costs.change) * unfailed + costs.down_day * (visited - lived), visited


def _further(wicks: _Wicks, age: Floats, days: Floats, usual: Floats, costs: WickCosts) -> Floats:
    """Expected cost above a new wick's of leaving this one in until its own best visit: the next one at the earliest,
    the 400th at the latest.
    """
    total = np.zeros(age.size)
    least = np.full(age.size, np.inf)
    unfailed = np.ones(age.size)
    age, days = age.copy(), days.copy()
    going = np.arange(age.size)
    for _ in range(_MAX_AHEAD):
        left = wicks.at(going)
        p_fail, waiting = _waiting(left, age[going], days[going], costs)
        above = waiting - left.rate * days[going]
        total[going] += unfailed[going] * above
        least[going] = np.minimum(least[going], total[going])
        unfailed[going] *= 1 - p_fail
        age[going] += days[going]
        days[going] = usual[going]
        # With beta > 1 an interval costs more the older the wick: once it costs too much, so do all later ones.
        going = going[((left.beta <= 1) | (above < 0)) & (unfailed[going] > _NONE_LEFT)]
        if not going.size:
            break
    return least


def _rates(eta: Floats, beta: Floats, usual: Floats, costs: WickCosts) -> Floats:
    """g* of each wick. An upload brings a few wicks, of lives that others had before them: those are remembered."""
    first, back = _distinct(eta, beta, usual)
    if first.size > _FEW:
        return change_policy(eta[first], beta[first], usual[first], costs).cost_per_day[back]
    rows = zip(*(column[first].tolist() for column in (eta, beta, usual)), strict=True)
    return np.array([_rate(*row, costs) for row in rows], np.float64)[back]


@lru_cache(maxsize=4_096)
def _rate(eta: float, beta: float, usual: float, costs: WickCosts) -> float:
    return float(change_policy(eta, beta, usual, costs).cost_per_day[0])


def _watch_age(wicks: _Wicks, usual: Floats, costs: WickCosts) -> Floats:
    """First whole day of age at which waiting ``usual`` days costs more than g* of them; inf beyond MAX_AGE_DAYS."""
    first, back = _distinct(wicks.eta, wicks.beta, wicks.ratio, usual)  # the rate follows from these
    wicks, usual = wicks.at(first), usual[first]
    # The last day known to be too young, and the first known to be old enough, if there is one.
    low, high = np.full(first.size, -1.0), np.full(first.size, MAX_AGE_DAYS + 1.0)
    for _ in range(_HALVINGS):
        middle = np.floor((low + high) / 2)
        asked = np.clip(middle, 0.0, MAX_AGE_DAYS)
        over = _waiting(wicks, asked, usual, costs)[1] > wicks.rate * usual
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.where(high <= MAX_AGE_DAYS, np.maximum(high, 0.0), np.inf)[back]


def _distinct(*columns: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each distinct row first stands, and for every row which of these it is: wicks share few parameters."""
    code = np.zeros(columns[0].size, dtype=np.int64)
    for column in columns:
        if (column != column[:1]).any():
            values, place = np.unique(column, return_inverse=True)
            code = np.unique(code * values.size + place, return_inverse=True)[1]
    _, first, back = np.unique(code, return_index=True, return_inverse=True)
    return first, back


def _rows(*columns: ArrayLike) -> list[Floats]:
    try:
        spread = np.broadcast_arrays(
            *[np.atleast_1d(np.asarray(column, dtype=np.float64)) for column in columns]
        )
    except ValueError as error:
        raise Nonsense("Each column has one number a unit, or one for all of them.") from error
    return [np.ascontiguousarray(column) for column in spread]


def _check_life(eta: Floats, beta: Floats) -> None:
    _check(eta, 1.0, 1e6, "The scale of a wick's life in days")
    _check(beta, 0.05, 50.0, "The shape of a wick's life")


def _check(values: Floats, least: float, greatest: float, what: str) -> None:
    wrong = ~((values >= least) & (values <= greatest))
    if wrong.any():
        place = int(np.argmax(wrong))
        raise Nonsense(f"{what} is {least:g} to {greatest:g}, not {values[place]} (row {place}).")
