"""What a unit's reservoir held at each exchange, better told than the eye alone can. Volumes in mL.

While the cartridge feeds it, the reservoir keeps its working level: air enters the cartridge only when the liquid falls
below its lip (Mariotte's bottle). So what was read at a fed exchange is the unit's own middle reading with an error of the
eye, and the error can be taken out; what nobody wrote down was most likely that as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

EYE_STEP_ML = 10.0
# A reading errs by half a step, one standard deviation (judgement, our own); the reservoir's step is half of the cartridge's.
ERROR_SHARE = 0.5
RESERVOIR_SHARE = 0.5
ENOUGH_FOUND = 3
MOST_ML = 1e6
SECONDS_PER_DAY = 86_400.0
# Two instants closer than this are one; a level's day is a float.
SAME_DAYS = 2.0 / SECONDS_PER_DAY
SURE_ML = 1.0


@dataclass(frozen=True)
class Balances:
    """The intervals of U units as N rows, unit by unit, oldest first; how many each unit has (U,); and their marks.

    ``rows`` (N, 6): ended (epoch seconds), seconds, available mL, cartridge left, reservoir found, wiped out; NaN: unread.
    ``step_ml``: the step of the eye at the cartridge.
    """

    rows: Floats
    marks: Sequence[str]
    count: Ints
    step_ml: float = EYE_STEP_ML

    @cached_property
    def unit(self) -> Ints:
        """Whose each row is (N,)."""
        return np.repeat(np.arange(len(self.count)), self.count)

    @cached_property
    def ends(self) -> Ints:
        """Where each unit's rows end (U,)."""
        return np.cumsum(self.count)

    @cached_property
    def stands(self) -> tuple[Stands, Stands]:
        """What ``stands_of`` says, reckoned once."""
        return stands_of(self)


Intervals = Sequence[Sequence[Sequence[Any]]] | Balances


def balances_of(intervals: Intervals, slots: int = 0, step_ml: float = EYE_STEP_ML) -> Balances:
    """The latest ``slots`` intervals (0: all) of each unit, each a list as ``readings_of`` describes it; what is columns
    already stays as it is.
    """
    if isinstance(intervals, Balances):
        return intervals
    latest = [rows[-slots:] for rows in intervals]
    count = np.array([len(rows) for rows in latest], np.int64)
    if not count.sum():
        return Balances(np.empty((0, 6)), (), count, step_ml)
    # Column by column: so many short rows are read far faster so. None becomes NaN.
    *columns, marks = zip(*chain.from_iterable(latest), strict=True)
    return Balances(np.column_stack([np.array(one, np.float64) for one in columns]), marks, count, step_ml)


class Stands(NamedTuple):
    """What to add to written (or unwritten) reservoirs, the variance of what they then say, mL and mL^2, and whether that
    is a guess; arrays of one length.
    """

    more_ml: Floats
    variance: Floats
    is_guess: Flags

    def at(self, places: Ints) -> Stands:
        return Stands(self.more_ml[places], self.variance[places], self.is_guess[places])


def stands_of(balances: Balances) -> tuple[Stands, Stands]:
    """The reservoirs at the start of each unit's intervals and of the one that goes on (N + U, unit by unit), and at the
    end of each interval (N).

    A reading at a fed exchange within a cartridge's step of the unit's middle counts as that middle, once three are
    there; any other stands as read. What was not read counts as the middle, give or take half of it, in the share of
    exchanges at which the unit was not found dry, and as nothing after wiping.
    """
    unit, step_ml = balances.unit, balances.step_ml
    _, _, _, left, before, wiped = balances.rows.T
    middle, is_known = _middles(balances)
    usual, as_read = middle[unit], (ERROR_SHARE * RESERVOIR_SHARE * step_ml) ** 2
    is_read, is_left = ~np.isnan(before), ~np.isnan(left) & (left != 0)
    is_wiped = ~np.isnan(wiped) & (wiped != 0)
    trusted = is_read & is_left & is_known[unit]
    kept = trusted & (before > 0) & (np.abs(before - usual) <= step_ml)
    gone = trusted & (wiped > 0) & (np.abs(wiped - usual) <= step_ml)
    guessed = ~is_read & ~is_wiped
    told, of_told = np.where(kept, usual - before, 0.0), np.where(kept, 0.0, as_read)
    sure = kept | (before == 0)
    ends = Stands(
        np.where(gone, told + usual - wiped, told),
        np.where(gone & sure, 0.0, np.where(gone, as_read, of_told)),
        np.zeros(len(unit), np.bool_),
    )
    size = len(unit) + len(balances.count)
    starts = Stands(np.zeros(size), np.full(size, as_read), np.zeros(size, np.bool_))
    after = np.arange(len(unit)) + unit + 1
    share = _filled_share(balances)[unit]
    spread = (usual / 4) ** 2 + usual * usual * share * (1.0 - share)
    starts.more_ml[after] = np.where(guessed, usual * share, told)
    starts.variance[after] = np.where(guessed, as_read + spread, of_told)
    starts.is_guess[after] = guessed & (usual > 0)
    return starts, ends


def _filled_share(balances: Balances) -> Floats:
    """The share of its read and unwiped exchanges at which each unit's reservoir held something (U,); 1 without any."""
    unit, (_, _, _, _, before, wiped) = balances.unit, balances.rows.T
    units, found = len(balances.count), ~np.isnan(before) & (np.isnan(wiped) | (wiped == 0))
    times = np.bincount(unit, found, units)
    return np.where(times > 0, np.bincount(unit, found & (before > 0), units) / np.maximum(times, 1.0), 1.0)


def _middles(balances: Balances) -> tuple[Floats, Flags]:
    """What each unit's reservoir usually holds (U,), 0 where that was never read, and whether it is well known."""
    unit, (_, _, available, left, before, _) = balances.unit, balances.rows.T
    held = (before > 0) & (before <= available) & (available <= MOST_ML)
    fed = held & ~np.isnan(left) & (left != 0)
    units = len(balances.count)
    times_fed = np.bincount(unit, fed, units).astype(np.int64)
    counts = np.where((times_fed > 0)[unit], fed, held)
    times = np.bincount(unit, counts, units).astype(np.int64)
    place = np.arange(len(unit)) - (balances.ends - balances.count)[unit]
    table = np.full((units, int(balances.count.max(initial=1))), np.inf)
    table[unit, place] = np.where(counts, before, np.inf)
    table.sort(axis=1)
    some, middle = np.flatnonzero(times), np.zeros(units)
    middle[some] = 0.5 * (table[some, (times[some] - 1) // 2] + table[some, times[some] // 2])
    return middle, times_fed >= ENOUGH_FOUND


def charged_levels(intervals: Intervals, level_ml: Floats, level_day: Floats) -> tuple[Floats, Floats]:
    """Each unit's level and its standard deviation, mL (U,), from the level by the books and when it was read, in days
    since 1970-01-01 UTC.

    At the last exchange the level is a full cartridge, known, and the reservoir, told as above (the books count one that
    nobody wrote down as empty). A level read at another time has the errors of both readings.
    """
    balances = balances_of(intervals)
    read_sd = ERROR_SHARE * balances.step_ml * float(np.hypot(1.0, RESERVOIR_SHARE))
    ends = balances.ends
    last = balances.stands[0].at(ends + np.arange(len(ends)))
    some = np.flatnonzero(balances.count)
    at_last = np.ones(len(ends), np.bool_)
    at_last[some] = np.abs(level_day[some] - balances.rows[ends[some] - 1, 0] / SECONDS_PER_DAY) <= SAME_DAYS
    levels = np.where(at_last, np.clip(level_ml + last.more_ml, 0.0, MOST_ML), level_ml)
    return levels, np.where(at_last, np.maximum(SURE_ML, np.sqrt(last.variance)), read_sd)
