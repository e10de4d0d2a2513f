"""What a wick looked like at the last visit says how soon it fails: hazard ratios against the life curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from servicing.rules.lifetimes.cells import Floats
from servicing.rules.nonsense import Nonsense

CONDITIONS = ("good", "slow", "unseen")
STRENGTH = 5.0  # failures' worth of the prior: judgement, our own
PRIOR_RATIOS: Mapping[str, float] = {"good": 1.0, "slow": 3.0, "unseen": 1.0}  # judgement, our own
ROUNDS = 200
CLOSE = 1e-10


def condition_ratios(condition: Sequence[str], expected: ArrayLike, failed: ArrayLike) -> dict[str, float]:
    """How often wicks of each condition fail by the next visit, against the life curve's expectation.

    ``condition`` (N,) good, slow or unseen at one visit, ``expected`` (N,) the cumulative hazard from it to the next
    under the curve (``hazard_between``), ``failed`` (N,) whether the wick was seen failed at the next.
    Gamma-Poisson: the ratio's prior is Gamma(5, 5 / prior ratio), its posterior mean (5 + x) / (5 / prior ratio + E)
    with E the hazard expected and x the failures, where a failed wick counts as the failures a Poisson count with that
    hazard holds when it is not 0, h / (1 - exp(-h)), found by repetition: it may have failed early in the interval.
    Source: the conjugate gamma-Poisson pair (Gaver and O'Muircheartaigh 1987, from memory); the repetition is EM.
    Raises Nonsense for another condition, or a hazard that is negative or not a number.
    """
    words = np.asarray(condition, np.str_).reshape(-1)
    hazard = np.asarray(expected, np.float64)
    gone = np.asarray(failed, np.bool_)
    if hazard.shape != words.shape or gone.shape != words.shape:
        raise Nonsense("Conditions, hazards and failures are not of one length.")
    if not ((hazard >= 0) & np.isfinite(hazard)).all():
        raise Nonsense("An expected hazard is negative or not a number.")
    strange = set(words.tolist()) - set(CONDITIONS)
    if strange:
        raise Nonsense(f"A wick is last seen good, slow or unseen, not {min(strange)}.")
    return {
        word: _ratio(hazard[words == word], gone[words == word], PRIOR_RATIOS[word]) for word in CONDITIONS
    }


def _ratio(hazard: Floats, failed: np.ndarray, prior: float) -> float:
    total, of_failed = float(hazard.sum()), np.maximum(hazard[failed], 1e-12)
    ratio = prior
    for _ in range(ROUNDS):
        each = ratio * of_failed
        new = (STRENGTH + float((each / -np.expm1(-each)).sum())) / (STRENGTH / prior + total)
        if abs(new - ratio) <= CLOSE * ratio:
            return new
        ratio = new
    return ratio
