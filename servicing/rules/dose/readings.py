"""What crews read, as bounds on what dripped out between two exchanges. Volumes in mL, times in days."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicing.rules.dose.reservoir import (
    ERROR_SHARE,
    EYE_STEP_ML,
    MOST_ML,
    SECONDS_PER_DAY,
    Intervals,
    balances_of,
)
from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Kinds = NDArray[np.int8]

MISSING, READ, RAN_DRY, UNTOUCHED, DISTURBED = 0, 1, 2, 3, 4

SLOTS = 18
# What looks empty may hold half a step of the reservoir.
UNSEEN_SHARE = 0.25
LEAST_ML = 0.5
SHORTEST_DAYS = 3.0
# A year's phase counts from 1 January 1970; leap years move it by less than a day.
DAYS_PER_YEAR = 365.25
LONGEST_DAYS = 36_525.0
_DISTURBING = frozenset("wols")


@dataclass(frozen=True, slots=True)
class Readings:
    """The intervals between exchanges of U units, K slots each: the newest last, missing ones first.

    All arrays are (U, K). ``ended_day``: when the interval ended, days since 1970-01-01 UTC; ``days``: how long it was;
    ``available_ml``: what was in at its start; ``low_ml`` and ``high_ml``: the bounds of what dripped out. ``kind``:

    - READ: what dripped out was read, to a step of the eye; the best value is the middle of the bounds.
    - RAN_DRY: empty on arrival, right-censored; ``high_ml`` is inf.
    - UNTOUCHED: nothing the eye can tell is gone, left-censored; ``low_ml`` is 0.
    - DISTURBED: a repair, a leak or a new wick lies in it, so that it says nothing of the dose.
    - MISSING: no interval, not read, too short, or contradictory. Its numbers mean nothing.

    Raises Nonsense for arrays of different shapes, and for a usable row with a duration that is not positive or is longer
    than 100 years, or with bounds that are negative, reversed, not numbers or above 1,000 L.
    """

    ended_day: Floats
    days: Floats
    available_ml: Floats
    low_ml: Floats
    high_ml: Floats
    kind: Kinds

    def __post_init__(self) -> None:
        shape = self.kind.shape
        arrays = (self.ended_day, self.days, self.available_ml, self.low_ml, self.high_ml)
        if len(shape) != 2 or any(one.shape != shape for one in arrays):  # noqa: PLR2004 - units by slots
            raise Nonsense(f"Readings are tables of units by slots, all of one shape; kind has {shape}.")
        usable = (self.kind != MISSING) & (self.kind != DISTURBED)
        sound = (self.days > 0) & (self.days <= LONGEST_DAYS) & (np.abs(self.ended_day) <= 100 * LONGEST_DAYS)
        bounded = (self.low_ml >= 0) & (self.low_ml <= MOST_ML) & (self.high_ml > 0)
        bounded &= np.where(self.kind == RAN_DRY, self.high_ml == np.inf, self.high_ml <= MOST_ML)
        ordered = (self.low_ml < self.high_ml) & ((self.low_ml > 0) | (self.kind == UNTOUCHED))
        wrong = usable & ~(sound & bounded & ordered)
        if wrong.any():
            unit, slot = (int(one[0]) for one in np.nonzero(wrong))
            raise Nonsense(
                f"Unit {unit}, slot {slot}: {self.low_ml[unit, slot]} to {self.high_ml[unit, slot]} mL in "
                f"{self.days[unit, slot]} days cannot have dripped out."
            )

    @property
    def units(self) -> int:
        return int(self.kind.shape[0])

    @property
    def slots(self) -> int:
        return int(self.kind.shape[1])

    def usable(self) -> NDArray[np.bool_]:
        """Which slots say something of the dose (U, K)."""
        return (self.kind != MISSING) & (self.kind != DISTURBED)


def readings_of(intervals: Intervals, step_ml: float = EYE_STEP_ML, slots: int = SLOTS) -> Readings:
    """The readings of U units, each a list of its intervals, oldest first, of which the latest ``slots`` count.

    An interval is [ended (epoch seconds), seconds, available mL, cartridge left mL or None, reservoir found mL or None,
    wiped out mL, marks]. What dripped out is available - left - found - wiped, the reservoir told as ``stands_of`` does,
    and not more than was in. The bounds are those of a uniform error of the same variance: the cartridge's reading errs by
    half of ``step_ml``, the reservoir's by what ``stands_of`` says. A mark of a new wick (w), a plugged outlet (o), a leak
    (l) or another fault (s) disturbs the interval.

    An interval that is unread, shorter than three days or reversed, or whose liquid came to more than went in, is
    missing: one wrong entry must not take a whole fleet's forecast away. Balances that are columns already have no more
    than ``slots`` rows a unit. Raises Nonsense if ``step_ml`` is not positive.
    """
    if not (math.isfinite(step_ml) and step_ml > 0):
        raise Nonsense(f"A step of the eye is more than 0 mL, not {step_ml}.")
    balances = balances_of(intervals, slots, step_ml)
    rows, units = balances.rows, balances.unit
    place = np.arange(len(units))
    slot = place + slots - balances.ends[units]
    marked = np.array([mark != "" and not _DISTURBING.isdisjoint(mark) for mark in balances.marks], np.bool_)
    start, end = balances.stands
    start = start.at(place + units)
    more, guessed = start.more_ml, np.where(start.is_guess, start.more_ml, 0.0)
    variance = start.variance + end.variance
    days, available = rows[:, 1] / SECONDS_PER_DAY, rows[:, 2] + more
    consumed = available - rows[:, 3] - rows[:, 4] - rows[:, 5] - end.more_ml
    error = np.sqrt(3 * ((ERROR_SHARE * balances.step_ml) ** 2 + variance))
    kind = _kinds(rows, consumed, error, marked)
    low, high = _bounds(kind, available, consumed, error, guessed + UNSEEN_SHARE * balances.step_ml)
    table = _Table(len(balances.count), slots, units, slot)
    return Readings(
        ended_day=table.filled(rows[:, 0] / SECONDS_PER_DAY, kind),
        days=table.filled(days, kind),
        available_ml=table.filled(available, kind),
        low_ml=table.filled(low, kind),
        high_ml=table.filled(high, kind),
        kind=table.kinds(kind),
    )


def _kinds(rows: Floats, consumed: Floats, error: Floats, marked: NDArray[np.bool_]) -> Kinds:
    days = rows[:, 1] / SECONDS_PER_DAY
    read = (np.abs(rows[:, 0]) <= 100 * LONGEST_DAYS * SECONDS_PER_DAY) & (rows[:, 2] <= MOST_ML)
    read &= (rows[:, 2:6] >= 0).all(axis=1) & (days <= LONGEST_DAYS)
    sound = (
        read
        & (days >= SHORTEST_DAYS)
        & (consumed >= -error)
        & (consumed <= MOST_ML - error)
        & (rows[:, 2] > 0)
    )
    # Wiping leaves an empty reservoir behind, so that both empty need not mean dry: at least this much dripped out.
    empty = (rows[:, 3] == 0) & (rows[:, 4] == 0) & (consumed > error)
    kind = np.where(consumed <= error, UNTOUCHED, READ)
    kind = np.where(empty, RAN_DRY, kind)
    kind = np.where(sound, kind, MISSING)
    return np.where(marked & (days >= SHORTEST_DAYS), DISTURBED, kind).astype(np.int8)


def _bounds(
    kind: Kinds, available: Floats, consumed: Floats, error: Floats, unseen: Floats
) -> tuple[Floats, Floats]:
    least = np.maximum(consumed - unseen, LEAST_ML)
    low = np.where(kind == RAN_DRY, least, np.where(kind == READ, consumed - error, 0.0))
    high = np.minimum(np.maximum(consumed, 0.0) + error, np.maximum(available, LEAST_ML))
    return low, np.where(kind == RAN_DRY, np.inf, high)


@dataclass(frozen=True, slots=True)
class _Table:
    """Where each flat row goes; tables are kept slot by slot in memory, as the computations walk through them."""

    units: int
    slots: int
    unit: NDArray[np.int64]
    slot: NDArray[np.int64]

    def filled(self, values: Floats, kind: Kinds) -> Floats:
        table = np.zeros((self.slots, self.units))
        table[self.slot, self.unit] = np.where(
            (kind == MISSING) | ~np.isfinite(values) & (kind == DISTURBED), 0.0, values
        )
        return table.T

    def kinds(self, kind: Kinds) -> Kinds:
        table = np.zeros((self.slots, self.units), np.int8)
        table[self.slot, self.unit] = kind
        return table.T
