"""How old a unit's wick is and from when it is watched. A wick starts afresh when it is changed, not when it is washed."""

from __future__ import annotations

from datetime import date, timedelta


def wick_age_days(wick_since_on: date, today: date) -> int:
    """Whole days since the wick was put in, both dates in the site's zone; never less than 0."""
    return max(0, (today - wick_since_on).days)


def wick_watch_from(wick_since_on: date, watch_days: int) -> date:
    """The first day on which the wick is watched: the day it was put in, in the site's zone, plus ``watch_days``."""
    return wick_since_on + timedelta(days=watch_days)
