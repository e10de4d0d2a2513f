"""What a wick looked like at the last visit says how soon it fails: its hazard against the life curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicing.rules.lifetimes.cells import Floats
from servicing.rules.nonsense import Nonsense

CONDITIONS = ("good", "slow", "unseen")
USUAL_DAYS = 30.0
# How far a law may lie from its prior, as standard deviations of log ratio and of both powers: judgement, our own.
SPREAD = (0.45, 1.0, 1.0)
TINIEST = 1e-12
MOST_STEPS, ENOUGH = 60, 1e-9
GREATEST_LOG = 20.0


class ConditionLaw(NamedTuple):
    """How the hazard after a look differs from the curve's.

    The hazard met in ``days`` is the curve's, times ``ratio``, times (curve's hazard a day / that at its scale age) to the
    power ``by_age``, times (days / 30) to the power ``by_time``. (1, 0, 0): just the curve. A wick that looks worn is near
    its end at whatever age, so that its law undoes much of the curve's; and the longer it hangs on, the nearer it is.
    """

    ratio: float
    by_age: float = 0.0
    by_time: float = 0.0


# Judgement, our own.
PRIOR_LAWS: Mapping[str, ConditionLaw] = {
    "good": ConditionLaw(1.0),
    "slow": ConditionLaw(3.0),
    "unseen": ConditionLaw(1.0),
}


def condition_laws(
    condition: Sequence[str], expected: ArrayLike, relative: ArrayLike, days: ArrayLike, failed: ArrayLike
) -> dict[str, ConditionLaw]:
    """The law of each condition, from N looks that were followed by another.

    ``condition`` (N,) good, slow or unseen at the first look, ``expected`` (N,) the curve's hazard from it to the next
    (``hazard_between``), ``relative`` (N,) that hazard a day over the curve's at its scale age, ``days`` (N,) between the
    two, ``failed`` (N,) whether the wick was seen failed at the second. P(failed) = 1 - exp(-hazard) with the hazard of
    the law: a binomial regression with a complementary log-log link and an offset (McCullagh & Nelder, Generalized
    Linear Models, 4.3.1, from memory), its posterior mode under normal priors about ``PRIOR_LAWS``, by Newton's method.
    Raises Nonsense for another condition, or a number that is negative or not finite, or days that are not above 0.
    """
    words = np.asarray(condition, np.str_).reshape(-1)
    hazard, share, time = (np.asarray(one, np.float64) for one in (expected, relative, days))
    gone = np.asarray(failed, np.bool_)
    if any(one.shape != words.shape for one in (hazard, share, time, gone)):
        raise Nonsense("Conditions, hazards, days and failures are not of one length.")
    if not all(((one >= 0) & np.isfinite(one)).all() for one in (hazard, share, time)) or (time == 0).any():
        raise Nonsense(
            "An expected hazard or a time between looks is negative or not a number, or no time passed."
        )
    strange = set(words.tolist()) - set(CONDITIONS)
    if strange:
        raise Nonsense(f"A wick is last seen good, slow or unseen, not {min(strange)}.")
    columns = np.column_stack([np.ones(len(words)), *_logs(share, time)])
    offset = np.log(np.maximum(hazard, TINIEST))
    return {
        word: _law(columns[words == word], offset[words == word], gone[words == word], PRIOR_LAWS[word])
        for word in CONDITIONS
    }


def law_ratio(law: Sequence[ArrayLike], relative: Floats, days: Floats) -> Floats:
    """What the law multiplies the curve's hazard by, for (U,) wicks; its three figures are (U,) or one for all."""
    by_age, by_time = _logs(relative, days)
    ratio, first, second = (np.asarray(one, np.float64) for one in law)
    return ratio * np.exp(np.clip(first * by_age + second * by_time, -GREATEST_LOG, GREATEST_LOG))


def _logs(relative: Floats, days: Floats) -> tuple[Floats, Floats]:
    return np.log(np.maximum(relative, TINIEST)), np.log(np.maximum(days, TINIEST) / USUAL_DAYS)


def _law(columns: Floats, offset: Floats, failed: np.ndarray, prior: ConditionLaw) -> ConditionLaw:
    home = np.array([np.log(prior.ratio), prior.by_age, prior.by_time])
    weight = np.array(SPREAD) ** -2.0

    def height(at: Floats) -> float:
        hazard = _hazard(columns, offset, at)
        seen = np.where(failed, np.log(-np.expm1(-hazard)), -hazard)
        return float(seen.sum() - 0.5 * (weight * (at - home) ** 2).sum())

    at, best = home, height(home)
    for _ in range(MOST_STEPS):
        hazard = _hazard(columns, offset, at)
        # Of log(1 - exp(-hazard)): slope hazard / (exp(hazard) - 1); its own slope follows.
        pull = np.where(failed, hazard / np.expm1(np.minimum(hazard, 700.0)), -hazard)
        bend = np.where(failed, pull * (hazard / -np.expm1(-hazard) - 1.0), hazard)
        gradient = columns.T @ pull - weight * (at - home)
        move = np.linalg.solve((columns * bend[:, None]).T @ columns + np.diag(weight), gradient)
        share = 1.0
        while share > ENOUGH and not (there := height(at + share * move)) >= best:
            share /= 2
        if share <= ENOUGH:
            break
        at, gained, best = at + share * move, there - best, there
        if gained < ENOUGH * (1 + abs(best)):
            break
    return ConditionLaw(float(np.exp(at[0])), float(at[1]), float(at[2]))


def _hazard(columns: Floats, offset: Floats, at: Floats) -> Floats:
    hazard: Floats = np.exp(np.clip(offset + columns @ at, -2 * GREATEST_LOG, GREATEST_LOG))
    return hazard
