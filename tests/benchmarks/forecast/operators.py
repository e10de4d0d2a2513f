"""Wick lives of 1,000 operators with 200 wicks each, from raw rows to every operator's curve, against loops of libraries.

Ours draws the operators towards a common level, which the libraries do not: the fit without that is what must agree
with them. Their loops run over some of the operators, others in each round, and count by operator.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicing.rules.lifetimes.cells import collapse
from servicing.rules.lifetimes.operators import EachFit, fit_each, fit_operators
from tests.benchmarks.forecast.lives import SCALE_DAYS, Floats, visited_lives
from tests.benchmarks.forecast.wick_100k import AGREEMENT, Fit, fit_by_lifelines, fit_by_surpyval
from tests.benchmarks.rounds import SEED, compared, interleave

OPERATORS, WICKS = 1_000, 200
BETWEEN_SD = 0.2
ROUNDS = 3

Lives = tuple[Floats, Floats]


def run(_: None, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: loops over 50 operators by lifelines, 200 by surpyval, a round; else 5 and 20."""
    draw = np.random.default_rng(SEED)
    scale = SCALE_DAYS * np.exp(draw.normal(0, BETWEEN_SD, OPERATORS))
    lives = visited_lives(draw, np.repeat(scale, WICKS))
    code = np.repeat(np.arange(OPERATORS), WICKS)
    alone = fit_each(collapse(*lives, code=code))
    with warnings.catch_warnings():
        # Their own advice on convergence and coming versions; the figures are compared below.
        warnings.simplefilter("ignore")
        lifelines = _Loop(fit_by_lifelines(), lives, 50 if full else 5, alone)
        surpyval = _Loop(fit_by_surpyval(), lives, 200 if full else 20, alone)
        speeds = interleave(
            {"ours": lambda _: _ours(lives, code), "lifelines": lifelines.go, "surpyval": surpyval.go},
            rounds=ROUNDS,
            count=OPERATORS,
            unit="operators/s",
        )
    for name, loop, target in (("lifelines", lifelines, 100), ("surpyval", surpyval, 25)):
        line = compared(
            f"forecast.operators_{name}",
            speeds["ours"],
            f"{name}, a loop over {loop.size} operators a round",
            speeds[name],
            target=target,
            n=OPERATORS * WICKS,
            unit="operators/s",
        )
        yield line | {"agrees_to": round(loop.farthest, 9), "ok": line["ok"] and loop.farthest <= AGREEMENT}


def _ours(lives: Lives, code: NDArray[np.int64]) -> None:
    fits = fit_operators(collapse(*lives, code=code))
    assert len(fits.each.log_scale) == OPERATORS


class _Loop:
    """A library called operator by operator; ``farthest``: how far a scale or shape was from ours, relative."""

    def __init__(self, fit: Callable[[Floats, Floats], Fit], lives: Lives, size: int, alone: EachFit) -> None:
        self.fit, self.lives, self.size, self.alone = fit, lives, size, alone
        self.farthest = 0.0

    def go(self, number: int) -> float:
        """Operators a second; the comparison is not measured."""
        operators = range(max(number, 0) * self.size, max(number + 1, 1) * self.size)
        left, right = (one.reshape(OPERATORS, WICKS) for one in self.lives)
        began = time.perf_counter()
        fits = [self.fit(left[operator], right[operator]) for operator in operators]
        speed = self.size / (time.perf_counter() - began)
        ours = np.exp(np.stack((self.alone.log_scale, self.alone.log_shape), axis=1)[operators])
        self.farthest = max(self.farthest, float(np.abs(np.array(fits) / ours - 1).max()))
        return speed
