"""How often the 95 % intervals of a fitted wick life hold the truth that the lives were drawn from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicing.queries.life_rehearsal import life_intervals

Floats = NDArray[np.float64]

FLEETS = 10  # a seed: 200 fleets alone would leave the shares 1.5 % of noise
WICKS = 300
SCALE_DAYS, SHAPE = 520.0, 2.2
CHANGED_DAYS = 540.0  # every wick that still works is changed at the first visit from this age on
TAKEN_OVER = 0.2  # of the wicks were already hanging, of known age, when the operator took the units over
OLDEST_TAKEN_OVER_DAYS = 300.0
LEAST_DAYS, MOST_DAYS = 26, 35  # from visit to visit


def weibull_coverage(seeds: int = 200) -> dict[str, Any]:
    """Fit ten fleets of 300 wicks for each of ``seeds`` seeds 0, 1, 2, ..., and count the intervals that hold the truth.

    Scale, shape and the age by which a tenth have failed, each with the share of fleets whose interval holds it, and
    the standard error that so many fleets leave that share of a true 0.95.
    """
    truth = {
        "scale_days": SCALE_DAYS,
        "shape": SHAPE,
        "tenth_days": SCALE_DAYS * (-math.log(0.9)) ** (1 / SHAPE),
    }
    held = dict.fromkeys(truth, 0)
    for seed in range(seeds):
        draws = np.random.default_rng(seed)
        for _ in range(FLEETS):
            found = life_intervals(*visited_wicks(draws))._asdict()
            for name, true in truth.items():
                held[name] += found[name][1] <= true <= found[name][2]
    fleets = seeds * FLEETS
    return {
        "seeds": seeds,
        "fleets": fleets,
        "wicks_a_fleet": WICKS,
        "coverage": {name: count / fleets for name, count in held.items()},
        "standard_error": math.sqrt(0.95 * 0.05 / fleets),
    }


def visited_wicks(draws: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """(left, right, entry) in days of one fleet's wicks, visited about monthly.

    A wick taken over is drawn again until it lives at that age: one that had failed before was not there to be taken over.
    """
    entry = np.where(
        draws.random(WICKS) < TAKEN_OVER, np.rint(draws.uniform(1, OLDEST_TAKEN_OVER_DAYS, WICKS)), 0.0
    )
    lived = (entry / SCALE_DAYS) ** SHAPE
    life = SCALE_DAYS * (lived - np.log(1.0 - draws.random(WICKS))) ** (1 / SHAPE)
    most = math.ceil(CHANGED_DAYS / LEAST_DAYS)
    steps = draws.integers(LEAST_DAYS, MOST_DAYS + 1, (WICKS, most))
    visits = entry[:, None] + np.concatenate((np.zeros((WICKS, 1)), np.cumsum(steps, axis=1)), axis=1)
    last = (visits < CHANGED_DAYS).sum(axis=1)
    before = np.minimum((visits < life[:, None]).sum(axis=1) - 1, last)
    row = np.arange(WICKS)
    right = np.where(before == last, np.inf, visits[row, np.minimum(before + 1, most)])
    return visits[row, before], right, entry
