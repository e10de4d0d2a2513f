"""The normal distribution where only bounds are known: its moments between bounds, and regression on bounded values."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, log_ndtr

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]

_ROOT_HALF = math.sqrt(0.5)
_ROOT_2_PI = math.sqrt(2 * math.pi)
_FARTHEST = 1e4
_LEAST = -30.0  # below it a lower bound cuts off nothing that a double can tell
MOST_STEPS = 60
ENOUGH = 1e-10
LEAST_SPREAD = 1e-9


def bounded_moments(low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a standard normal known to lie between ``low`` and ``high`` (any one shape, +-inf allowed).

    lam = phi/(Phi(high) - Phi(low)) at both ends; mean lam_low - lam_high, variance 1 + low lam_low - high lam_high -
    mean^2 (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 1, 13.10, from memory). Scaled by the
    density at the nearer bound, so that nothing underflows however far out the bounds lie; bounds beyond 10,000 count
    as 10,000. Raises Nonsense unless every low < high.
    """
    if not (low < high).all():
        raise Nonsense("A lower bound lies below its upper bound.")
    flipped = low + high < 0
    near = np.clip(np.where(flipped, -high, low), _LEAST, _FARTHEST)
    far = np.where(flipped, -low, high)
    is_open = ~np.isfinite(far)
    far = np.maximum(np.where(is_open, near, np.minimum(far, 2 * _FARTHEST)), near)
    decay = np.where(is_open, 0.0, np.exp(-0.5 * (far - near) * (far + near)))
    whole = erfcx(near * _ROOT_HALF)
    mass = 0.5 * _ROOT_2_PI * (whole - decay * erfcx(far * _ROOT_HALF))
    # An interval too narrow for the difference: the density is flat on it.
    flat = mass <= 1e-4 * whole
    mass = np.where(flat, 1.0, mass)
    mean = (1.0 - decay) / mass
    variance = 1.0 + (near - decay * far) / mass - mean * mean
    mean = np.where(flat, 0.5 * (near + far), np.clip(mean, near, np.where(is_open, np.inf, far)))
    variance = np.where(flat, (far - near) ** 2 / 12, np.clip(variance, 0.0, 1.0))
    return np.where(flipped, -mean, mean), variance


@dataclass(frozen=True, slots=True)
class CensoredFit:
    """``coefficients`` (P,) and ``sigma`` of the normal regression; ``covariance`` (P+1, P+1) of (coefficients, sigma)."""

    coefficients: Floats
    sigma: float
    covariance: Floats
    log_likelihood: float
    steps: int


def fit_censored(low: Floats, high: Floats, columns: Floats) -> CensoredFit:
    """The normal linear regression of values of which only bounds are known, by maximum likelihood.

    ``low`` and ``high`` (N,): equal for a value that was read; -inf below or inf above for a value censored on the left
    or on the right; two finite bounds for an interval. ``columns`` (N, P) with full rank, its intercept included.

    Tobin 1958; in Olsen's parametrisation (Econometrica 46, 1978) g = 1/sigma, d = coefficients/sigma the likelihood is
    concave, so that Newton with halved steps goes up to its one maximum. Raises Nonsense for bounds that are reversed,
    open on both sides or not numbers, for fewer read values than columns plus one, for read values that the columns
    explain without any rest, and for columns without full rank.
    """
    _check(low, high, columns)
    exact = low == high
    rows = _Rows(low[exact], columns[exact], low[~exact], high[~exact], columns[~exact])
    start, *_ = np.linalg.lstsq(rows.read_columns, rows.read, rcond=None)
    spread = float(np.std(rows.read - rows.read_columns @ start))
    if spread <= LEAST_SPREAD * (1.0 + float(np.abs(rows.read).max())):
        raise Nonsense("The read values follow the columns without any spread, so that none can be told.")
    at = np.append(start / spread, 1 / spread)
    best = rows.log_likelihood(at)
    steps = 0
    while True:
        steps += 1
        gradient, hessian = rows.slopes(at)
        move = np.asarray(np.linalg.solve(-hessian, gradient), np.float64)
        at, gained = _climb(rows, at, best, move)
        best += gained
        if abs(float(gradient @ move)) < ENOUGH * (1 + abs(best)):
            return _answer(rows, at, best, steps)
        if steps >= MOST_STEPS:
            raise Nonsense(f"No maximum was found in {MOST_STEPS} steps.")


def _check(low: Floats, high: Floats, columns: Floats) -> None:
    if columns.ndim != 2 or low.shape != high.shape or low.shape != columns.shape[:1]:  # noqa: PLR2004 - a table
        raise Nonsense("Bounds are (N,) and columns (N, P).")
    if not ((low <= high).all() and np.isfinite(columns).all()):
        raise Nonsense("A lower bound lies at or below its upper bound, and columns are finite.")
    if (np.isinf(low) & np.isinf(high)).any():
        raise Nonsense("A value has a bound on one side at least.")
    read = columns[low == high]
    if len(read) <= columns.shape[1] or np.linalg.matrix_rank(read) < columns.shape[1]:
        raise Nonsense("There are too few values read to tell the columns apart.")


def _climb(rows: _Rows, at: Floats, best: float, move: Floats) -> tuple[Floats, float]:
    """The farthest of the step and its halves that goes up, and how much it gains."""
    share = 1.0
    while share > 1e-9:  # noqa: PLR2004 - thirty halvings
        there = at + share * move
        if there[-1] > 0:
            value = rows.log_likelihood(there)
            if value >= best:
                return there, value - best
        share /= 2
    return at, 0.0


@dataclass(frozen=True, slots=True)
class _Rows:
    read: Floats
    read_columns: Floats
    low: Floats
    high: Floats
    columns: Floats

    def log_likelihood(self, at: Floats) -> float:
        delta, gamma = at[:-1], at[-1]
        error = gamma * self.read - self.read_columns @ delta
        total = len(self.read) * (math.log(gamma) - math.log(_ROOT_2_PI)) - 0.5 * float(error @ error)
        return total + float(np.sum(_log_mass(*self._standard(delta, gamma))))

    def _standard(self, delta: Floats, gamma: float) -> tuple[Floats, Floats]:
        middle = self.columns @ delta
        return gamma * self.low - middle, gamma * self.high - middle

    def slopes(self, at: Floats) -> tuple[Floats, Floats]:
        """Gradient and Hessian in (delta, gamma)."""
        delta, gamma = at[:-1], at[-1]
        error = gamma * self.read - self.read_columns @ delta
        wide = np.column_stack([self.read_columns, -self.read])
        gradient, hessian = wide.T @ error, -wide.T @ wide
        gradient[-1] += len(self.read) / gamma
        hessian[-1, -1] -= len(self.read) / gamma**2
        low, high = self._standard(delta, gamma)
        log_mass = _log_mass(low, high)
        pull = [_ends(one, log_mass) for one in (low, high)]
        lines = [np.column_stack([-self.columns, _finite(bound)]) for bound in (self.low, self.high)]
        slope = lines[1] * pull[1][:, None] - lines[0] * pull[0][:, None]
        bend = [_finite(one) * weight for one, weight in zip((low, high), pull, strict=True)]
        hessian += (lines[0] * bend[0][:, None]).T @ lines[0] - (lines[1] * bend[1][:, None]).T @ lines[1]
        return gradient + slope.sum(axis=0), hessian - slope.T @ slope


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, 0.0)


def _log_mass(low: Floats, high: Floats) -> Floats:
    """log(Phi(high) - Phi(low)), in the tail that keeps its digits."""
    flipped = low > 0
    near, far = np.where(flipped, -low, high), np.where(flipped, -high, low)
    top, bottom = log_ndtr(near), log_ndtr(far)
    return top + np.log1p(-np.exp(np.minimum(bottom - top, -1e-300)))


def _ends(at: Floats, log_mass: Floats) -> Floats:
    """phi(at) / mass; 0 at an open end."""
    here = _finite(at)
    return np.where(np.isfinite(at), np.exp(-0.5 * here * here - log_mass) / _ROOT_2_PI, 0.0)


def _answer(rows: _Rows, at: Floats, best: float, steps: int) -> CensoredFit:
    delta, gamma = at[:-1], float(at[-1])
    _, hessian = rows.slopes(at)
    size = len(at)
    # d(coefficients, sigma) / d(delta, gamma)
    turn = np.zeros((size, size))
    turn[:-1, :-1] = np.eye(size - 1) / gamma
    turn[:-1, -1] = -delta / gamma**2
    turn[-1, -1] = -1 / gamma**2
    covariance = turn @ np.linalg.inv(-hessian) @ turn.T
    return CensoredFit(delta / gamma, 1 / gamma, covariance, best, steps)
