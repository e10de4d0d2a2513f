"""What a unit's reservoir held at each exchange, better told than the eye alone can. Volumes in mL.

While the cartridge feeds it, the reservoir keeps its working level: air enters the cartridge only when the liquid falls
below its lip (Mariotte's bottle). So what was read at a fed exchange is the unit's own middle reading with an error of the
eye, and the error can be taken out; what nobody wrote down was most likely that as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

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


class Stand(NamedTuple):
    """What to add to a written (or unwritten) reservoir, and the variance of what it then says, mL and mL^2."""

    more_ml: float
    variance: float
    is_guess: bool = False


def stands_of(rows: Sequence[Sequence[Any]], step_ml: float = EYE_STEP_ML) -> tuple[list[Stand], list[Stand]]:
    """The reservoir at the start of each of one unit's N intervals and of the one that goes on (N + 1), and at the end of
    each (N). ``rows`` as in ``readings_of``.

    A reading at a fed exchange within a cartridge's step of the unit's middle counts as that middle, once three are
    there; any other stands as read. What was not read counts as the middle, give or take half of it, and as nothing after
    wiping.
    """
    held = [row for row in rows if row[4] and 0 < row[4] <= row[2] <= MOST_ML]
    fed = sorted([float(row[4]) for row in held if row[3]])
    found = fed or sorted([float(row[4]) for row in held])
    usual = _middle(found) if found else 0.0
    is_known = len(fed) >= ENOUGH_FOUND
    as_read = Stand(0.0, (ERROR_SHARE * RESERVOIR_SHARE * step_ml) ** 2)
    starts, ends = [as_read], []
    for row in rows:
        left, before, wiped = row[3], row[4], row[5]
        if before is None:
            guess = Stand(usual, as_read.variance + (usual / 4) ** 2, is_guess=usual > 0)
            starts.append(as_read if wiped else guess)
            ends.append(as_read)
            continue
        trusted = is_known and bool(left)
        kept = trusted and before > 0 and abs(before - usual) <= step_ml
        gone = trusted and wiped > 0 and abs(wiped - usual) <= step_ml
        told = Stand(usual - before, 0.0) if kept else as_read
        starts.append(told)
        if gone:
            sure = kept or before == 0
            told = Stand(told.more_ml + usual - wiped, 0.0 if sure else as_read.variance)
        ends.append(told)
    return starts, ends


def charged_levels(
    intervals: Sequence[Sequence[Sequence[Any]]],
    level_ml: Floats,
    level_day: Floats,
    step_ml: float = EYE_STEP_ML,
) -> tuple[Floats, Floats]:
    """Each unit's level and its standard deviation, mL (U,), from the level by the books and when it was read, in days
    since 1970-01-01 UTC.

    At the last exchange the level is a full cartridge, known, and the reservoir, told as above (the books count one that
    nobody wrote down as empty). A level read at another time has the errors of both readings.
    """
    read_sd = ERROR_SHARE * step_ml * float(np.hypot(1.0, RESERVOIR_SHARE))
    levels, sds = level_ml.astype(np.float64), np.full(len(level_ml), read_sd)
    for unit, rows in enumerate(intervals):
        last = stands_of(rows, step_ml)[0][-1]
        if not rows or abs(level_day[unit] - rows[-1][0] / SECONDS_PER_DAY) <= SAME_DAYS:
            levels[unit] = min(MOST_ML, max(0.0, levels[unit] + last.more_ml))
            sds[unit] = max(SURE_ML, last.variance**0.5)
    return levels, sds


def _middle(ordered: Sequence[float]) -> float:
    return 0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])
