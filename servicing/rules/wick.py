"""How old a unit's wick is. A wick starts afresh when it is changed, not when it is washed."""

from __future__ import annotations

from datetime import date


def wick_age_days(wick_since_on: date, today: date) -> int:
    """Whole days since the wick was put in, both dates in the site's zone; never less than 0."""
    return max(0, (today - wick_since_on).days)
