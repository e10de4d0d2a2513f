"""The first visits at which a wick that had ended unseen shows in what is left, and what was known there before a look at it."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from uuid import UUID

from demo_tenant.scoring.truth import Sight
from servicing.queries.rehearsal import Heard, UnitHistory, fallen, fold_heard

STEPS_MORE = 5
STEP_ML = 10.0  # the cartridge's graduation
NEVER = timedelta(days=36_500)
OF_THE_WICK = ("wick.checked", "wick.changed", "wick.washed")


@dataclass(frozen=True, slots=True)
class DeadWick:
    """A visit at which more was left than a sound wick would have left; ``more_ml`` by the truth, since it ended."""

    unit_id: UUID
    touch_id: UUID
    at: datetime
    more_ml: float


def dead_wicks(sights: Sequence[Sight]) -> Iterator[DeadWick]:
    """The first exchange of each ended wick of one unit by which it had held back five graduation steps."""
    more, wick, told = 0.0, None, False
    for before, sight in pairwise(sights):
        if before.after.wick_fitted_at != wick:
            more, wick, told = 0.0, before.after.wick_fitted_at, False
        if sight.wick != "failed":
            continue
        more += _held_back(before, sight)
        if sight.exchanged and more >= STEPS_MORE * STEP_ML and not told:
            told = True
            yield DeadWick(sight.unit_id, sight.touch_id, sight.at, more)


def _held_back(before: Sight, sight: Sight) -> float:
    """What the unit held at a touch beyond what it would have held had its wick gone on, in mL."""
    sound = copy.copy(before.after)
    sound.wick_ends_at += NEVER
    sound.advance(sight.at)
    return sight.held_ml - sound.total_ml


def history_ahead_of_the_look(heard: Sequence[Heard], touch_id: UUID) -> UnitHistory | None:
    """What was known at that touch from all before it and from its levels, but nothing of its wick.

    None when its levels were not read: nothing can then be seen in them.
    """
    own = [one for one in heard if one.touch_id == touch_id]
    if not any(one.type == "cartridge.exchanged" and "cartridge_left_ml" in one.payload for one in own):
        return None
    gone = fallen(heard)
    standing = [one for one in heard if one.event_id not in gone and not one.is_ahead]
    last = max((one.occurred_at for one in standing if one.touch_id == touch_id), default=None)
    if last is None:
        return None
    return fold_heard(
        [
            one
            for one in standing
            if one.occurred_at <= last and not (one.touch_id == touch_id and one.type in OF_THE_WICK)
        ]
    )
