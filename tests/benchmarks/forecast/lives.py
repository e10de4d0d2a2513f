"""Invented wick lives as visits see them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SCALE_DAYS, SHAPE = 500.0, 2.5
VISITS = 30


def visited_lives(draw: np.random.Generator, scale_days: Floats) -> tuple[Floats, Floats]:
    """(left, right) in whole days, (N,) each, of N lives with these Weibull scales and the one shape.

    Visits fall every 30 days, up to 5 days early or late, for one to thirty months: a failure lies between the last
    visit that saw the wick good and the first that saw it failed; right is inf where no visit saw it failed.
    """
    number = len(scale_days)
    life = scale_days * draw.weibull(SHAPE, number)
    months = draw.integers(1, VISITS + 1, number)
    visit = np.arange(1, VISITS + 1) * 30.0 + draw.integers(-5, 6, (number, VISITS))
    seen = np.arange(1, VISITS + 1) <= months[:, None]
    good = visit < life[:, None]
    left = np.where(seen & good, visit, 0.0).max(axis=1)
    right = np.where(seen & ~good, visit, np.inf).min(axis=1)
    return left, right
