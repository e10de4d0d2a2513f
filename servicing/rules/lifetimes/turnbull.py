"""The survival curve of lives seen only between looks, without any assumed form: what a fitted curve is checked against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from servicing.rules.lifetimes.cells import Cells, Floats, Ints
from servicing.rules.nonsense import Nonsense

ROUNDS = 20_000
CLOSE = 1e-9  # of the masses, from one round to the next
EMPTY = 1e-12


@dataclass(frozen=True, slots=True)
class TurnbullCurve:
    """Masses (M,) of the intervals ``(left, right]`` in which lives end; left = right at ends that were seen.

    Inside an interval the curve is not known; ``survival`` is what is left after each. The last ``right`` is inf
    when some lives outlast every look.
    """

    left: Floats
    right: Floats
    mass: Floats

    @property
    def survival(self) -> Floats:
        """(M,): the share still going on just after each interval."""
        return np.append(np.cumsum(self.mass[:0:-1])[::-1], 0.0)

    def at(self, ages: Floats) -> Floats:
        """The share still going on at each of (N,) ages; within an interval the value before it, as a step."""
        passed = np.searchsorted(self.right, ages, side="right")
        return np.append(1.0, self.survival)[passed]


def fit_turnbull(cells: Cells) -> TurnbullCurve:
    """The maximum-likelihood masses, by self-consistency (EM) with squared steps; O(cells + masses) a round.

    Intervals are half-open (L, R]: a life seen going on at t outlives an end at t, and a life seen ended at t may have
    ended at t. Source: Turnbull 1974, 1976; squared steps: Varadhan and Roland 2008 (both from memory).
    Raises Nonsense without lives, or for lives watched from a later age (their truncation is not modelled here).
    """
    if not cells.left.size:
        raise Nonsense("A survival curve needs at least one life.")
    if (cells.entry > 0).any():
        raise Nonsense("Lives watched from a later age than 0 are not part of this curve.")
    left, right, first, beyond = _innermost(cells)
    weight = cells.count / cells.count.sum()
    mass = np.full(len(left), 1.0 / len(left))
    for _ in range(ROUNDS):
        before = mass
        mass = _squared_step(mass, first, beyond, weight)
        if float(np.abs(mass - before).max()) < CLOSE:
            break
    mass = np.where(mass < EMPTY, 0.0, mass)
    return TurnbullCurve(left, right, mass / mass.sum())


def _innermost(cells: Cells) -> tuple[Floats, Floats, Ints, Ints]:
    """Where lives can end: a left end followed by a right end; and for each cell its first mass and one past its last.

    Every end is (age, order): 0 before a seen end, 1 after it and at a closed right end, 2 after an open left end.
    """
    seen = cells.left == cells.right
    ages = np.unique(np.concatenate((cells.left, cells.right)))
    begins = 3 * np.searchsorted(ages, cells.left) + np.where(seen, 0, 2)
    ends = 3 * np.searchsorted(ages, cells.right) + 1
    every = np.concatenate((np.unique(begins), np.unique(ends)))
    is_end = np.repeat((False, True), (len(np.unique(begins)), len(np.unique(ends))))
    order = np.argsort(every, kind="stable")
    every, is_end = every[order], is_end[order]
    at = np.flatnonzero(~is_end[:-1] & is_end[1:])
    low, high = every[at], every[at + 1]
    first = np.searchsorted(low, begins, side="left")
    beyond = np.searchsorted(high, ends, side="right")
    return ages[low // 3], ages[high // 3], first, beyond


def _squared_step(mass: Floats, first: Ints, beyond: Ints, weight: Floats) -> Floats:
    once = _consistent(mass, first, beyond, weight)
    twice = _consistent(once, first, beyond, weight)
    change, bend = once - mass, twice - 2 * once + mass
    size = float(np.sqrt((bend * bend).sum()))
    if size == 0:
        return twice
    length = max(1.0, float(np.sqrt((change * change).sum())) / size)
    leap = mass + 2 * length * change + length * length * bend
    if (leap < 0).any() or _likelihood(leap, first, beyond, weight) < _likelihood(
        twice, first, beyond, weight
    ):
        return twice
    return _consistent(leap / leap.sum(), first, beyond, weight)


def _covered(mass: Floats, first: Ints, beyond: Ints) -> Floats:
    total = np.append(0.0, np.cumsum(mass))
    return np.maximum(total[beyond] - total[first], 1e-300)


def _consistent(mass: Floats, first: Ints, beyond: Ints, weight: Floats) -> Floats:
    """Every life's weight shared over the masses it may have ended in, in their present proportion."""
    share = weight / _covered(mass, first, beyond)
    turns = np.bincount(first, share, len(mass) + 1) - np.bincount(beyond, share, len(mass) + 1)
    new = mass * np.maximum(np.cumsum(turns)[:-1], 0.0)
    return new / new.sum()


def _likelihood(mass: Floats, first: Ints, beyond: Ints, weight: Floats) -> float:
    return float((weight * np.log(_covered(mass, first, beyond))).sum())
