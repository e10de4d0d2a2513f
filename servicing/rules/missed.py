"""Which local days nobody looked at, after a time without a clock."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta


def missed_days(last: Mapping[str, date], today: Mapping[str, date]) -> dict[str, tuple[date, date]]:
    """Of each zone the first and the last day between the one looked at last and today, neither of them included.

    Zones in which there is none are left out.
    """
    one = timedelta(days=1)
    between = {zone: (last[zone] + one, day - one) for zone, day in today.items() if zone in last}
    return {zone: (since, until) for zone, (since, until) in between.items() if since <= until}
