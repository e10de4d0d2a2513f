"""For how long it counts that a person showed who they are, before keys, closes and exports."""

from __future__ import annotations

from datetime import datetime, timedelta

# A form may be filled in for a while after its page was let through.
TO_LOOK = timedelta(minutes=15)
TO_ACT = timedelta(minutes=20)


def is_recent(shown_at: datetime, now: datetime, *, to_act: bool) -> bool:
    """Whether a person who signed in or confirmed at ``shown_at`` may go on: to open a page, or to act on it."""
    return now - shown_at <= (TO_ACT if to_act else TO_LOOK)
