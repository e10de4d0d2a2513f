"""Drift of a unit's output: does the wick still transfer, does the unit drip more than it should?

The readings are standardised: z is how far the log of what was consumed lies from what the unit's own history led to
expect, in standard deviations of that prediction, so that readings of a sound unit are independent and standard normal.
The chart over them and its false alarms are described in alarm_budget.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servicing.rules.alarm_budget import Limits, limits_for
from servicing.rules.control import Floats
from servicing.rules.dose.posterior import OUTLYING_SDS
from servicing.rules.dose.readings import DISTURBED, MISSING
from servicing.rules.nonsense import Nonsense

__all__ = [
    "HIGH",
    "LOW",
    "NOTHING",
    "Drift",
    "Limits",
    "drift",
    "drift_advice",
    "limits_for",
    "resets_per_reading",
]

NOTHING, LOW, HIGH = 0, 1, 2
_READINGS_A_WICK = 18


@dataclass(frozen=True, slots=True)
class Drift:
    """What the chart says after a unit's latest reading, an element a unit.

    ``finding`` int8: 0 nothing, 1 low (the wick is not transferring), 2 high (over-dosing). ``since`` int64: the slot in
    which it probably began, -1 without a finding. ``by_one_visit``: the latest reading says so by itself. ``low`` and
    ``high``: the two statistics, at the head start while their finding is open.
    """

    low: Floats
    high: Floats
    finding: NDArray[np.int8]
    since: NDArray[np.int64]
    by_one_visit: NDArray[np.bool_]


def drift(z: ArrayLike, kind: ArrayLike, kept: ArrayLike, wick_slot: ArrayLike, limits: Limits) -> Drift:
    """The drift of each unit from ``z`` (units, slots), its standardised readings, the latest slot last.

    ``kind`` (units, slots): 0 missing and 4 disturbed slots are passed over; the others (1 read, 2 ran dry, 3 untouched)
    count, whether the dose estimate ``kept`` (units, slots) them or not. A disturbed slot closes an open finding: the
    fault was found. ``wick_slot`` (units,): the first slot after the last wick change, or -1; equal to the number of
    slots when the wick was changed after the latest of them. There both sides begin anew, the low one with its head
    start.

    A finding opens when a statistic reaches ``limits.h`` or one reading reaches ``limits.one_visit``, and stays while
    later readings lean the same way by more than ``limits.k``. When the estimate takes to the new level meanwhile (it
    kept an outlying reading) later readings are measured from there: the finding then stays until one reading falls back
    by ``limits.one_visit``, which is a recovery and no finding of the other side. Raises Nonsense for values that are
    not finite, unknown kinds and shapes that do not match.
    """
    readings, kinds, starts = _checked(z, kind, wick_slot)
    if np.shape(kept) != readings.shape:
        raise Nonsense("Whether a reading was kept is said of each unit and slot.")
    adopted = np.asarray(kept, dtype=np.bool_) & (np.abs(readings) > OUTLYING_SDS)
    units, slots = readings.shape
    low, high = _Side(units, limits, limits.head_start), _Side(units, limits, 0.0)
    for slot in range(slots):
        kinds_now, x = kinds[:, slot], readings[:, slot]
        used = (kinds_now != MISSING) & (kinds_now != DISTURBED)
        for side in (low, high):
            side.begin_anew(starts == slot)
            side.close(kinds_now == DISTURBED)
        recovered = used & (low.falls_back(-x) | high.falls_back(x))
        for side, lean in ((low, -x), (high, x)):
            side.take(slot, lean, used & ~recovered, adopted[:, slot])
            side.recover(recovered)
    for side in (low, high):
        side.begin_anew(starts == slots)
    return Drift(
        low=low.statistic,
        high=high.statistic,
        finding=np.where(low.is_open, LOW, np.where(high.is_open, HIGH, NOTHING)).astype(np.int8),
        since=np.where(low.is_open, low.since, np.where(high.is_open, high.since, -1)),
        by_one_visit=np.where(low.is_open, low.alone, high.is_open & high.alone),
    )


def drift_advice(finding: ArrayLike, washed_lately: ArrayLike) -> list[str]:
    """What to do about each finding: '' | wash | change | look_for_leak.

    ``washed_lately`` (units,) bool: the wick was washed within the last interval, so washing it again would not help.
    Raises Nonsense for an unknown finding or shapes that do not match.
    """
    codes, washed = np.asarray(finding), np.asarray(washed_lately, dtype=np.bool_)
    if codes.ndim != 1 or codes.shape != washed.shape or not np.isin(codes, (NOTHING, LOW, HIGH)).all():
        raise Nonsense("Advice needs one finding of 0, 1 or 2 and one answer about washing for each unit.")
    low_advice = np.where(washed, "change", "wash")
    advice = np.where(codes == LOW, low_advice, np.where(codes == HIGH, "look_for_leak", ""))
    return [str(word) for word in advice]


def resets_per_reading(kind: ArrayLike, wick_slot: ArrayLike) -> float:
    """Which share of a fleet's readings are the first after a wick change, for limits_for; 1/18 without a reading.

    ``kind`` and ``wick_slot`` as in drift. Seen backwards from the latest, a unit's readings go on to the first after a
    change or to the end, a geometric life cut off. With a beta prior as if one change had been seen in 18 readings
    (judgement: a wick lasts a year and a half), the mean is (changes + 1) / (readings + 18).
    """
    kinds = np.asarray(kind)
    _, kinds, starts = _checked(np.zeros(kinds.shape), kinds, wick_slot)
    slots = np.arange(kinds.shape[1])
    counted = (kinds != MISSING) & (kinds != DISTURBED) & (slots >= starts[:, None])
    followed = (starts >= 0) & counted.any(axis=1)
    return float((int(followed.sum()) + 1) / (int(counted.sum()) + _READINGS_A_WICK))


class _Side:
    """One side's chart of U units on the way through their slots; each reading comes as how far it leans that way."""

    def __init__(self, units: int, limits: Limits, start: float) -> None:
        self.limits, self.start = limits, start
        self.statistic, self.lowest = np.zeros(units), np.zeros(units)
        self.is_open, self.is_held, self.alone = (np.zeros(units, np.bool_) for _ in range(3))
        self.since, self.run_began = np.full(units, -1), np.full(units, -1)
        self.is_fresh = np.ones(units, np.bool_)

    def begin_anew(self, where: NDArray[np.bool_]) -> None:
        """The wick was changed."""
        self._set(where, self.start)

    def recover(self, where: NDArray[np.bool_]) -> None:
        self._set(where, 0.0)

    def close(self, where: NDArray[np.bool_]) -> None:
        """The fault was found; what the chart has gathered stays."""
        if where.any():
            self.is_open, self.is_held = self.is_open & ~where, self.is_held & ~where

    def falls_back(self, lean: Floats) -> NDArray[np.bool_]:
        """Whether a level that the estimate took to is left again for the old one."""
        return self.is_held & (lean <= -self.limits.one_visit)

    def take(self, slot: int, lean: Floats, used: NDArray[np.bool_], adopted: NDArray[np.bool_]) -> None:
        limits = self.limits
        run_began = np.where(used & self.is_fresh, slot, self.run_began)
        moved = np.maximum(0.0, self.statistic + lean - limits.k)
        alone = np.where(used, lean >= limits.one_visit, self.alone)
        opens = used & ~self.is_open & (alone | (moved >= limits.h))
        stays = self.is_open & (~used | self.is_held | (lean > limits.k))
        self.since = np.where(opens, np.where(alone, slot, run_began), self.since)
        self.is_open = opens | stays
        self.is_held = self.is_open & (self.is_held | (used & adopted & (lean > 0)))
        self.statistic = np.where(used, np.where(self.is_open, limits.head_start, moved), self.statistic)
        # The likeliest beginning of a shift is the reading after the statistic's lowest point (Page 1954).
        self.is_fresh = np.where(used, self.is_open | (self.statistic <= self.lowest), self.is_fresh)
        self.lowest = np.where(used & self.is_fresh, self.statistic, self.lowest)
        self.alone, self.run_began = alone, run_began

    def _set(self, where: NDArray[np.bool_], statistic: float) -> None:
        if not where.any():
            return
        self.close(where)
        self.statistic = np.where(where, statistic, self.statistic)
        self.lowest = np.where(where, statistic, self.lowest)
        self.is_fresh = self.is_fresh | where


def _checked(
    z: ArrayLike, kind: ArrayLike, wick_slot: ArrayLike
) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    readings = np.asarray(z, dtype=np.float64)
    kinds, starts = np.asarray(kind), np.asarray(wick_slot)
    if readings.ndim != 2 or kinds.shape != readings.shape or starts.shape != readings.shape[:1]:  # noqa: PLR2004
        raise Nonsense("Readings and their kinds come as units by slots, and one wick slot for each unit.")
    if not np.isfinite(readings).all():
        raise Nonsense("A standardised reading is a finite number; at least one is not.")
    if not ((kinds >= MISSING) & (kinds <= DISTURBED)).all():
        raise Nonsense("A reading's kind is one of 0 to 4; at least one is not.")
    if starts.size and not np.isin(starts, range(-1, readings.shape[1] + 1)).all():
        raise Nonsense("The first slot after a wick change is -1 or a slot of the unit; at least one is not.")
    return readings, kinds.astype(np.int64), starts.astype(np.int64)
