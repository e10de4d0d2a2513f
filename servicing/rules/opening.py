"""The opening state of a unit: its days as instants, and the hour that an office gives to the day itself.

Before an operator began only days are known, and a fold knows no zones. So a day is taken at the time of day of the event
that names it: as many times 24 hours before as there are days to ``as_of``, the event's own date at the site. A change to
or from summer time in between moves that by an hour, which stays on the same date unless it lies within an hour of midnight.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, tzinfo
from typing import Any

# Nobody is at work then, so all that is done on the day comes after it; and it is far enough from midnight.
HOUR = time(3)


def moment(at: str, said: Mapping[str, Any], name: str) -> str | None:
    """The instant, as histories write it, that stands for a day of an opening which occurred ``at``; None: not known."""
    day = said.get(name)
    if day is None:
        return None
    days = date.fromisoformat(said["as_of"]) - date.fromisoformat(day)
    return (datetime.fromisoformat(at) - days).isoformat(timespec="microseconds")


def occurred_at(as_of: date, zone: tzinfo, now: datetime) -> datetime:
    """When an opening of a day is said to have occurred: before that day's work, and never later than ``now``."""
    return min(datetime.combine(as_of, HOUR, zone).astimezone(UTC), now)


def is_its_day(as_of: date, at: datetime) -> bool:
    """Whether a date may be that of an instant in some zone: those reach from 12 hours behind UTC to 14 ahead."""
    return abs((as_of - at.date()).days) <= 1
