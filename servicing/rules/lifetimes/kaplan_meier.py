"""The share still open after a time, when some cases are still open: the product-limit estimate."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from servicing.rules.lifetimes.cells import Floats
from servicing.rules.nonsense import Nonsense


def kaplan_meier(
    times: ArrayLike, observed: ArrayLike, level: float = 0.95
) -> tuple[Floats, Floats, Floats, Floats]:
    """(t, survival, low, high), each (M,): the curve just after 0 and after each time at which a case ended.

    ``times`` (N,) from 0 up; ``observed`` (N,) whether the case ended then (else it was still open). A case still open
    at t outlives an end at t. Pointwise interval: Greenwood's variance on log(-log S), so that it stays within 0 and 1;
    before the first end it is (1, 1), and where S is 0 from 0 to the bound before.
    Sources: Kaplan and Meier 1958, Greenwood 1926, Kalbfleisch and Prentice 1980 (all from memory).
    Raises Nonsense without cases, or for a time that is negative or not a number.
    """
    waited = np.asarray(times, np.float64)
    ended = np.asarray(observed, np.bool_)
    if waited.ndim != 1 or waited.shape != ended.shape or not waited.size:
        raise Nonsense("A survival curve needs at least one case, with one word on each whether it ended.")
    if not (np.isfinite(waited) & (waited >= 0)).all():
        raise Nonsense("A waiting time is negative or not a number.")
    after, deaths = np.unique(waited[ended], return_counts=True)
    at_risk = len(waited) - np.searchsorted(np.sort(waited), after, side="left")
    survival = np.append(1.0, np.cumprod(1.0 - deaths / at_risk))
    last = at_risk == deaths
    spread = np.append(0.0, np.cumsum(deaths / (at_risk * np.where(last, 1.0, at_risk - deaths))))
    low, high = _log_log(survival, np.sqrt(spread), float(ndtri((1 + level) / 2)))
    return np.append(0.0, after), survival, low, high


def _log_log(survival: Floats, error: Floats, reach: float) -> tuple[Floats, Floats]:
    """S to the power exp(-+ reach error / log S)."""
    inside = (survival > 0) & (survival < 1)
    log_survival = np.log(np.where(inside, survival, 0.5))
    swing = reach * error / log_survival
    low = np.where(inside, np.exp(log_survival * np.exp(-swing)), survival)
    high = np.where(inside, np.exp(log_survival * np.exp(swing)), survival)
    ended = np.flatnonzero(survival <= 0)
    high[ended] = high[ended - 1]
    return low, high
