"""An operator's own values change on dates: the first day on which a span counted in such values has passed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta


def first_day(base_on: date, versions: Sequence[tuple[date, int]]) -> date:
    """The first day d with d >= base_on + days, where ``days`` is the value in force on d.

    ``versions`` are (in force from, days), oldest first and not empty; the first also holds before its date.
    """
    for index, (in_force_from, days) in enumerate(versions):
        start = date.min if index == 0 else in_force_from
        end = versions[index + 1][0] if index + 1 < len(versions) else date.max
        candidate = max(base_on + timedelta(days=days), start)
        if candidate < end:
            return candidate
    return date.max
