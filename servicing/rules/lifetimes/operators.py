"""Many operators' life curves at once: each its own scale and shape, the scales drawn towards a common level.

Pooling shows one operator's lives in another's curve, so it is for operators of one franchise who agreed to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from servicing.rules.lifetimes.cells import Cells, Floats
from servicing.rules.lifetimes.likelihood import Points, group_terms, points_of
from servicing.rules.lifetimes.weibull import (
    LOG_SHAPE_MEAN,
    LOG_SHAPE_SD,
    LONGEST_STEP,
    SETTLED,
    SHARPEST_LOG_SHAPE,
)
from servicing.rules.nonsense import Nonsense

STEPS = 100
ROUNDS = 30
STEADY = 1e-3  # of level and log spread, from round to round
LEVEL_SD_MEDIAN = 0.3  # of log scale between operators, itself log-normal: judgement, our own
LEVEL_SD_SPREAD = 0.7
TYPICAL_SCALE_DAYS = 600.0
WIDE = 2.0
BLOCK_CELLS = 16_384


@dataclass(frozen=True, slots=True)
class EachFit:
    """Log scale and log shape of J operators (J,) each, their covariance (J, 3): scale, both, shape; failures (J,)."""

    log_scale: Floats
    log_shape: Floats
    covariance: Floats
    failures: Floats


@dataclass(frozen=True, slots=True)
class OperatorFits:
    """The common level of log scale, the spread between operators, and every operator's fit under that prior."""

    level: float
    between_sd: float
    each: EachFit


def fit_each(
    cells: Cells,
    level: tuple[float, float] = (0.0, math.inf),
    log_shape: tuple[float, float] = (LOG_SHAPE_MEAN, math.inf),
    start: EachFit | None = None,
) -> EachFit:
    """A Weibull curve per code of the cells, all by one Newton iteration; ``level`` and ``log_shape`` are (mean, sd).

    Infinite sds give plain maximum likelihood. Codes are 0 to J - 1, every one in use.
    Raises Nonsense, with the operator's number, when its lives alone decide no curve and no prior does.
    """
    blocks = _blocks(cells)
    begin = None if start is None else (start.log_scale, start.log_shape)
    parts = [_fit_block(_Block(block, first, level, log_shape), begin) for first, block in blocks]
    joined = (np.concatenate([getattr(part, name) for part in parts]) for name in EachFit.__slots__)
    return EachFit(*joined)


def _blocks(cells: Cells) -> list[tuple[int, Cells]]:
    """The cells in blocks of whole operators, small enough for a processor's cache, with each block's first operator."""
    if not cells.code.size:
        raise Nonsense("There are no lives to fit.")
    order = np.argsort(cells.code, kind="stable")
    code = cells.code[order]
    begins = np.searchsorted(code, np.arange(int(code[-1]) + 2))
    if (np.diff(begins) == 0).any():
        raise Nonsense(f"Operator {int(np.argmin(np.diff(begins)))} has no lives.")
    blocks, first = [], 0
    while first < len(begins) - 1:
        beyond = max(first + 1, int(np.searchsorted(begins, begins[first] + BLOCK_CELLS, side="right")) - 1)
        at = order[begins[first] : begins[beyond]]
        own = cells.code[at] - first
        blocks.append((first, Cells(cells.left[at], cells.right[at], cells.entry[at], own, cells.count[at])))
        first = beyond
    return blocks


def _fit_block(block: _Block, begin: tuple[Floats, Floats] | None) -> EachFit:
    ours = slice(block.first, block.first + block.size)
    mu, log_shape = block.start() if begin is None else (begin[0][ours], begin[1][ours])
    parts = block.parts(mu, log_shape)
    for _ in range(STEPS):
        step, gain = _newton(parts)
        taken = np.minimum(1.0, LONGEST_STEP / np.maximum(np.abs(step).max(axis=0), 1e-300))
        for _ in range(60):
            tried = block.parts(mu + taken * step[0], log_shape + taken * step[1])
            worse = tried[0] < parts[0] - 1e-9 * (1 + np.abs(parts[0]))
            if not worse.any():
                break
            taken = np.where(worse, taken / 2, taken)
        mu, log_shape, parts = mu + taken * step[0], log_shape + taken * step[1], tried
        if float(gain.max()) < SETTLED:
            break
    return _settled(block, mu, log_shape, parts, gain)


def fit_operators(cells: Cells) -> OperatorFits:
    """Empirical Bayes: operators' log scales ~ N(level, between_sd^2), log shapes ~ N(log 2, 0.4^2) each.

    Every round fits all operators under the present level and spread, takes out of each fit what the prior put in
    (what is left is a normal reading of the operator's own lives) and finds level and spread that make these readings
    most likely; the spread keeps a weak prior of its own so that two operators do not collapse into one.
    Source: Efron and Morris 1975; Laplace readings in the manner of Rue and Martino 2009 (both from memory).
    Raises Nonsense without cells or for an operator without lives.
    """
    shape_prior = (LOG_SHAPE_MEAN, LOG_SHAPE_SD)
    level, spread = math.log(TYPICAL_SCALE_DAYS), WIDE
    each: EachFit | None = None
    for _ in range(ROUNDS):
        each = fit_each(cells, (level, spread), shape_prior, each)
        new_level, new_spread = _common(each, level, spread)
        moved = max(abs(new_level - level), abs(math.log(new_spread / spread)))
        level, spread = new_level, new_spread
        if moved < STEADY:
            break
    return OperatorFits(level, spread, fit_each(cells, (level, spread), shape_prior, each))


def _common(each: EachFit, level: float, spread: float) -> tuple[float, float]:
    """Level and spread that the operators' own readings make most likely."""
    precision = np.maximum(1 / each.covariance[:, 0] - spread**-2.0, 1e-9)
    reading = each.log_scale + (each.log_scale - level) / (spread**2 * precision)
    noise = 1 / precision

    def centre(log_sd: float) -> float:
        weight = 1 / (noise + math.exp(2 * log_sd))
        return float((weight * reading).sum() / weight.sum())

    def loss(log_sd: float) -> float:
        variance = noise + math.exp(2 * log_sd)
        off = reading - centre(log_sd)
        own = ((log_sd - math.log(LEVEL_SD_MEDIAN)) / LEVEL_SD_SPREAD) ** 2
        return float(0.5 * (np.log(variance) + off * off / variance).sum() + 0.5 * own)

    best = float(minimize_scalar(loss, bounds=(math.log(0.01), math.log(WIDE)), method="bounded").x)
    return centre(best), math.exp(best)


class _Block:
    """The cells of some operators with their priors, and the sums by operator."""

    def __init__(
        self, cells: Cells, first: int, level: tuple[float, float], log_shape: tuple[float, float]
    ) -> None:
        self.cells, self.first, self.level, self.log_shape = cells, first, level, log_shape
        self.points: Points = points_of(cells)
        self.size = int(cells.code.max()) + 1
        self.failures = self._by_operator(cells.count * cells.ended)
        proper = math.isfinite(level[1]) and math.isfinite(log_shape[1])
        if not proper and (self.failures == 0).any():
            stranger = first + int(np.argmin(self.failures))
            raise Nonsense(f"Operator {stranger} has seen no failure, so its lives give no life curve.")

    def _by_operator(self, each: Floats) -> Floats:
        return np.bincount(self.cells.code, each, self.size).astype(np.float64)

    def start(self) -> tuple[Floats, Floats]:
        """The scale of a constant hazard and the prior's shape."""
        ended = self.cells.ended
        middle = np.where(
            ended, (self.cells.left + np.where(ended, self.cells.right, 0.0)) / 2, self.cells.left
        )
        exposure = self._by_operator(self.cells.count * (middle - self.cells.entry))
        crude = np.log(np.maximum(exposure, 1e-3) / np.maximum(self.failures, 0.5))
        return crude, np.full(self.size, self.log_shape[0])

    def parts(self, mu: Floats, log_shape: Floats) -> Floats:
        """(6, J) log posterior, its slopes and curvatures, in the order of ``terms``."""
        out = group_terms(self.points, mu, log_shape)
        for values, (mean, sd), slope, bend in ((mu, self.level, 1, 3), (log_shape, self.log_shape, 2, 5)):
            precision = sd**-2.0
            out[0] -= 0.5 * precision * (values - mean) ** 2
            out[slope] -= precision * (values - mean)
            out[bend] -= precision
        return out


def _newton(parts: Floats) -> tuple[Floats, Floats]:
    """(2, J) steps that lead upwards, and (J,) the gain they promise."""
    a, b, d = -parts[3], -parts[4], -parts[5]
    lowest = (a + d) / 2 - np.hypot((a - d) / 2, b)
    least = 1e-6 * (np.abs(a) + np.abs(d)) + 1e-12
    lift = np.where(lowest < least, np.maximum(least - lowest, -2 * lowest), 0.0)
    a, d = a + lift, d + lift
    fall = a * d - b * b
    step = np.stack((d * parts[1] - b * parts[2], a * parts[2] - b * parts[1])) / fall
    return step, (step[0] * parts[1] + step[1] * parts[2]) / 2


def _settled(block: _Block, mu: Floats, log_shape: Floats, parts: Floats, gain: Floats) -> EachFit:
    a, b, d = -parts[3], -parts[4], -parts[5]
    fall = a * d - b * b
    stuck = (gain >= SETTLED) | (fall <= 0) | (a <= 0) | (np.abs(log_shape) > SHARPEST_LOG_SHAPE)
    if stuck.any():
        stranger = block.first + int(np.argmax(stuck))
        raise Nonsense(f"The lives of operator {stranger} decide no life curve; a prior is needed.")
    return EachFit(mu, log_shape, np.stack((d, -b, a), axis=1) / fall[:, None], block.failures)
