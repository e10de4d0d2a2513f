"""Rates of many units seen through few counts: each is drawn towards what all have in common."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import digamma, gammaln, polygamma

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

# A gamma this narrow (a spread of 1 % of its mean) is one rate for all.
MOST_ALIKE = 1e4
LEAST_SHAPE = 1e-3
MOST_STEPS = 200
LONGEST_STEP = 2.0
ENOUGH = 1e-10


def gamma_fit(counts: ArrayLike, exposures: ArrayLike) -> tuple[float, float]:
    """Shape a and rate b of the gamma distribution that the rates behind ``counts`` come from, by marginal likelihood.

    ``counts`` (N,) are Poisson with rate x ``exposures`` (N,), exposures in any one unit, b in the same. Counts then are
    negative binomial; Newton on (log a, log b) with halved steps (empirical Bayes: Carlin & Louis, from memory).

    Where the counts vary no more than chance makes them, a is 10,000: one rate for all. Without a single count the
    answer is a = 1/2 and b = all exposure, what Jeffreys' prior makes of it. Raises Nonsense for no rows with exposure,
    for counts or exposures that are negative or not finite, and for a count without exposure.
    """
    x, t = _rows(counts, exposures)
    total, time = float(x.sum()), float(t.sum())
    if total == 0:
        return 0.5, time
    rate = total / time
    if _slope_when_alike(x, t, rate) <= 0:
        return MOST_ALIKE, MOST_ALIKE / rate
    at = np.array([0.0, -math.log(rate)])
    value = gamma_log_marginal(math.exp(at[0]), math.exp(at[1]), x, t)
    for _ in range(MOST_STEPS):
        gradient, hessian = _slopes(math.exp(at[0]), math.exp(at[1]), x, t)
        move = _uphill(gradient, hessian)
        at, gained = _climb(at, value, move, x, t)
        value += gained
        if abs(float(gradient @ move)) < ENOUGH * (1 + abs(value)):
            break
    a, b = math.exp(at[0]), math.exp(at[1])
    return (MOST_ALIKE, MOST_ALIKE / rate) if a > MOST_ALIKE else (a, b)


def gamma_mean(a: ArrayLike, b: ArrayLike, x: ArrayLike, t: ArrayLike) -> Floats:
    """The rate to expect after ``x`` counts in exposure ``t`` under the prior Gamma(a, b): (a + x)/(b + t)."""
    shape, rate, counts, exposures = (np.asarray(one, np.float64) for one in (a, b, x, t))
    return (shape + counts) / (rate + exposures)


def gamma_log_marginal(a: float, b: float, counts: ArrayLike, exposures: ArrayLike) -> float:
    """Log P(counts) when their rates come from Gamma(a, b), without the terms that neither a nor b enters."""
    x, t = np.asarray(counts, np.float64), np.asarray(exposures, np.float64)
    terms = gammaln(a + x) - gammaln(a) + a * math.log(b) - (a + x) * np.log(b + t)
    return float(terms.sum())


def _rows(counts: ArrayLike, exposures: ArrayLike) -> tuple[Floats, Floats]:
    x, t = np.asarray(counts, np.float64), np.asarray(exposures, np.float64)
    if x.ndim != 1 or x.shape != t.shape:
        raise Nonsense("Counts and exposures are one a row.")
    if not ((x >= 0) & np.isfinite(x) & (t >= 0) & np.isfinite(t)).all():
        raise Nonsense("Counts and exposures are finite and 0 or more.")
    if ((x > 0) & (t == 0)).any():
        raise Nonsense("Something was counted where nothing was watched.")
    if not (t > 0).any():
        raise Nonsense("Nothing was watched, so that no rate can be told.")
    return x[t > 0], t[t > 0]


def _slope_when_alike(x: Floats, t: Floats, rate: float) -> float:
    """Whether the likelihood rises as the spread leaves 0 (the score test for overdispersion, Dean 1992, from memory)."""
    return float((((x - rate * t) ** 2) - x).sum())


def _slopes(a: float, b: float, x: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Gradient and Hessian in (log a, log b)."""
    by_a = float((digamma(a + x) - digamma(a) + math.log(b) - np.log(b + t)).sum())
    by_b = float((a / b - (a + x) / (b + t)).sum())
    by_aa = float((polygamma(1, a + x) - polygamma(1, a)).sum())
    by_ab = float((1 / b - 1 / (b + t)).sum())
    by_bb = float((-a / b**2 + (a + x) / (b + t) ** 2).sum())
    gradient = np.array([a * by_a, b * by_b])
    cross = a * b * by_ab
    return gradient, np.array([[a * a * by_aa + a * by_a, cross], [cross, b * b * by_bb + b * by_b]])


def _uphill(gradient: Floats, hessian: Floats) -> Floats:
    """The Newton step where the likelihood bends down, else a step along a hillside made to."""
    least = float(np.linalg.eigvalsh(-hessian)[0])
    ridge = 0.0 if least > ENOUGH else 1e-3 - least
    move = np.asarray(np.linalg.solve(-hessian + ridge * np.eye(2), gradient), np.float64)
    longest = float(np.abs(move).max())
    return move if longest <= LONGEST_STEP else np.asarray(move * (LONGEST_STEP / longest), np.float64)


def _climb(at: Floats, value: float, move: Floats, x: Floats, t: Floats) -> tuple[Floats, float]:
    share = 1.0
    while share > ENOUGH:
        there = at + share * move
        if math.log(LEAST_SHAPE) <= there[0] <= math.log(10 * MOST_ALIKE):
            gained = gamma_log_marginal(math.exp(there[0]), math.exp(there[1]), x, t) - value
            if gained >= 0:
                return there, gained
        share /= 2
    return at, 0.0
