"""Looks on while a story is told, and runs units on alone from what it saw: the truth that forecasts are judged by."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

from demo_tenant.crews import Touch
from demo_tenant.setting import Setting
from demo_tenant.story import Story, tell_in
from demo_tenant.world import DAY, MONTH_DAYS, TrueUnit

EPOCH_DAY = 86_400
LATER = 200.0  # days after which a unit that has not run dry counts as later, whatever the forecast said


@dataclass(frozen=True, slots=True)
class Sight:
    """One finished touch: what the unit held before it, and its inside as the touch left it."""

    unit_id: UUID
    touch_id: UUID
    at: datetime
    held_ml: float
    wick: str
    exchanged: bool
    after: TrueUnit


@dataclass(slots=True)
class Onlooker:
    """Keeps each unit's sights in order, with the kind of place it hangs in."""

    sights: dict[UUID, list[Sight]] = field(default_factory=dict)

    def __call__(self, touch: Touch) -> None:
        fitted, seen = touch.fitted, touch.seen
        sight = Sight(
            unit_id=fitted.unit.id,
            touch_id=touch.id,
            at=fitted.truth.at,
            held_ml=seen.cartridge_ml + seen.reservoir_ml,
            wick=seen.wick,
            exchanged=touch.exchanged is not None,
            after=copy.copy(fitted.truth),
        )
        self.sights.setdefault(sight.unit_id, []).append(sight)


def tell_watched(setting: Setting) -> tuple[Story, Onlooker]:
    """The story of a setting, and what went on inside its units at every touch."""
    onlooker = Onlooker()
    return tell_in(setting, onlooker), onlooker


def days_until_dry(after: TrueUnit, next_at: datetime | None = None) -> float:
    """Days from a touch until the unit is dry if nobody comes any more, what is to befall it included; inf if later.

    The world lives from touch to touch, each time at the season of the middle. So up to ``next_at``, when it was next
    touched, this is what the story told; from there on alone, in pieces of a month.
    """
    alone = copy.copy(after)
    last = after.at + LATER * DAY
    until = after.at + MONTH_DAYS * DAY if next_at is None else next_at
    while alone.at < last and alone.dry_at is None and alone.total_ml > 0:
        alone.advance(min(last, until))
        until += MONTH_DAYS * DAY
    if alone.dry_at is not None:
        return (alone.dry_at - after.at) / DAY
    return 0.0 if alone.total_ml <= 0 else math.inf
