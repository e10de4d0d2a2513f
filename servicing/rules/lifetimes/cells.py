"""Lives seen at visits, counted: equal rows become one cell with its count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servicing.rules.nonsense import Nonsense

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LONGEST_DAYS = 36_525  # 100 years: longer than any part in service, and short enough for keys of 64 bits
MOST_CODES = 2**17
COUNTED_DIRECTLY = 4_000_000  # keys below this are counted in a table, above it they are sorted
DAY_SECONDS = 86_400


@dataclass(frozen=True, slots=True)
class Cells:
    """Counted lives; five arrays of one length, ages in days (or any other one unit).

    A life ended in ``(left, right]``: ``right`` = inf while it goes on, ``left`` = 0 when it had ended before the first
    look, ``left`` = ``right`` when the end itself was seen. It came under observation at age ``entry`` (0: from its
    beginning), so that it says nothing of ends before. ``code`` numbers its group, ``count`` is how many there are.
    """

    left: Floats
    right: Floats
    entry: Floats
    code: Ints
    count: Floats

    def __post_init__(self) -> None:
        shapes = {one.shape for one in (self.left, self.right, self.entry, self.code, self.count)}
        if len(shapes) != 1 or self.left.ndim != 1:
            raise Nonsense("The five arrays of lives have different lengths.")
        _refuse(~(self.left >= 0) | np.isinf(self.left), "A life's last good look is not an age.", self.left)
        _refuse(~(self.right >= self.left), "A life was seen ended before it was last seen good.", self.right)
        _refuse(self.right == 0, "A life ended at age 0.", self.right)
        _refuse(
            ~((self.entry >= 0) & (self.entry <= self.left)),
            "A life was watched from after its last good look.",
            self.entry,
        )
        _refuse(self.right == self.entry, "A life ended at the moment from which it was watched.", self.right)
        _refuse(self.code < 0, "A life's group has a negative number.", self.code)
        _refuse(~((self.count > 0) & np.isfinite(self.count)), "A count of lives is not above 0.", self.count)

    @property
    def ended(self) -> NDArray[np.bool_]:
        """Which cells hold lives seen ended."""
        return np.isfinite(self.right)

    @property
    def lives(self) -> int:
        return round(float(self.count.sum()))

    @property
    def failures(self) -> int:
        return round(float(self.count[self.ended].sum()))


def as_cells(
    left: ArrayLike, right: ArrayLike, entry: ArrayLike = 0.0, code: ArrayLike = 0, count: ArrayLike = 1.0
) -> Cells:
    """Cells of the rows as they are, one each; single numbers are repeated. Raises Nonsense as ``Cells`` does."""
    left = np.asarray(left, np.float64)
    filled = (np.broadcast_to(np.asarray(one, np.float64), left.shape) for one in (right, entry, count))
    right, entry, count = filled
    return Cells(left, right, entry, np.broadcast_to(np.asarray(code, np.int64), left.shape), count)


def collapse(
    left_days: ArrayLike,
    right_days: ArrayLike,
    entry_days: ArrayLike | None = None,
    code: ArrayLike | None = None,
) -> Cells:
    """The rows counted by whole days; (N,) arrays in, at most N cells out, in the order of code, entry, left, right.

    Ages are rounded to the nearest day; a look to look of less than a day becomes one day, and an end seen on the first
    day counts as day 1. One whole number is made of the four columns (mixed radix), and the numbers are counted.
    Raises Nonsense for what no life can be (see ``Cells``), an age over 100 years or 131,072 groups.
    """
    left = np.asarray(left_days, np.float64)
    right = np.asarray(right_days, np.float64)
    _refuse(~(right >= left), "A life was seen ended before it was last seen good.", right)
    going_on = np.isinf(right)
    _refuse(
        ~((left >= 0) & (left <= LONGEST_DAYS)),
        "A life's last good look is not an age below 100 years.",
        left,
    )
    _refuse(~going_on & (right > LONGEST_DAYS), "A life ended at over 100 years.", right)
    low = np.rint(left).astype(np.int64)
    high = np.rint(np.where(going_on, 0.0, right)).astype(np.int64)
    high = np.where((high == low) & (right > left) & ~going_on, low + 1, high)
    at_once = (high == 0) & ~going_on
    low[at_once] = high[at_once] = 1
    columns = [high, low]
    columns.append(_whole(entry_days, left, low, seen=left == right))
    columns.append(np.zeros_like(low) if code is None else np.asarray(code, np.int64))
    _refuse(columns[3] < 0, "A life's group has a negative number.", columns[3])
    _refuse(columns[3] >= MOST_CODES, "There are over 131,072 groups of lives.", columns[3])
    return _counted(columns)


def _whole(entry_days: ArrayLike | None, left: Floats, low: Ints, seen: NDArray[np.bool_]) -> Ints:
    if entry_days is None:
        return np.zeros_like(low)
    entry = np.broadcast_to(np.asarray(entry_days, np.float64), left.shape)
    _refuse(~((entry >= 0) & (entry <= left)), "A life was watched from after its last good look.", entry)
    _refuse(
        seen & (entry == left) & (entry > 0), "A life ended at the moment from which it was watched.", entry
    )
    return np.minimum(np.rint(entry).astype(np.int64), low - seen)


def _counted(columns: list[Ints]) -> Cells:
    """Cells of the columns (right with 0 for a life that goes on, left, entry, code)."""
    if not columns[0].size:
        nothing = np.empty(0)
        return Cells(nothing, nothing, nothing, np.empty(0, np.int64), nothing)
    sizes = [int(column.max()) + 1 for column in columns]
    key = columns[3]
    for column, size in zip(columns[2::-1], sizes[2::-1], strict=True):
        key = key * size + column
    if sizes[0] * sizes[1] * sizes[2] * sizes[3] <= COUNTED_DIRECTLY:
        table = np.bincount(key)
        key = np.flatnonzero(table)
        count = table[key]
    else:
        key, count = np.unique(key, return_counts=True)
    right = key % sizes[0]
    key //= sizes[0]
    left = key % sizes[1]
    key //= sizes[1]
    ages = [one.astype(np.float64) for one in (left, right, key % sizes[2], count)]
    ages[1][right == 0] = np.inf
    return Cells(ages[0], ages[1], ages[2], key // sizes[2], ages[3])


def rows_of_wicks(wicks: Sequence[Sequence[int | None]]) -> tuple[Floats, Floats]:
    """(left, right) in days, (N,) each, of N wicks written ``[birth_s, good_s, failed_s or None, ...]`` in epoch seconds.

    A wick not seen failed says no more than that it was good at its last good look, whatever ended it.
    One seen good and failed within a second ended in that second. Raises Nonsense when a wick was seen before its birth
    or seen failed before it was last seen good.
    """
    written = np.array([row[:3] for row in wicks], np.float64).reshape(-1, 3)
    age = (written[:, 1:] - written[:, :1]) / DAY_SECONDS
    _refuse(~(age[:, 0] >= 0), "A wick was seen good before it was put in.", age[:, 0])
    right = np.where(np.isnan(age[:, 1]), np.inf, age[:, 1])
    _refuse(~(right >= age[:, 0]), "A wick was seen failed before it was last seen good.", right)
    return age[:, 0], np.maximum(right, age[:, 0] + 1 / DAY_SECONDS)


def _refuse(wrong: NDArray[np.bool_], sentence: str, values: NDArray[np.generic]) -> None:
    if wrong.any():
        place = int(np.argmax(wrong))
        raise Nonsense(f"{sentence} Row {place} says {values[place]}.")
