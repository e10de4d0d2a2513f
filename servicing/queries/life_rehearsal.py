"""The fit of wick lives at work on lives whose truth is known: for whoever measures how often its intervals hold it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from servicing.rules.lifetimes.cells import collapse
from servicing.rules.lifetimes.weibull import fit_weibull

Floats = NDArray[np.float64]
Interval = tuple[float, float, float]


class LifeIntervals(NamedTuple):
    """Estimate, low and high of the scale in days, of the shape, and of the age by which a tenth have failed."""

    scale_days: Interval
    shape: Interval
    tenth_days: Interval


def life_intervals(left_days: Floats, right_days: Floats, entry_days: Floats) -> LifeIntervals:
    """The 95 % intervals of one operator's wicks, (N,) each, from its lives alone. Raises Nonsense where they decide none."""
    fit = fit_weibull(collapse(left_days, right_days, entry_days))
    return LifeIntervals(fit.scale_interval(), fit.shape_interval(), fit.quantile(0.1))
