"""When a unit's reservoir is due for cleaning: counted from the last cleaning, by how dusty the site is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import pairwise
from statistics import median

from servicing.rules.due import due_day
from servicing.rules.nonsense import Nonsense

# Common practice, no source.
MONTHS_BETWEEN = {"low": 12, "normal": 6, "high": 3}
GAPS_NEEDED = 3


def clean_due_on(installed_on: date, cleaned_on: Sequence[date], dust: str) -> date:
    """The day by which the reservoir is to be cleaned, dates in the site's zone; ``cleaned_on`` in any order.

    The last cleaning since the unit was installed (else the installation, with a clean reservoir) plus the months of
    its dust class, on the same day of the month or the month's last. Once a unit has three gaps between cleanings, their
    median shortens it: crews that come back sooner have a reason. It never lengthens it.
    Raises Nonsense for an unknown dust class.
    """
    if dust not in MONTHS_BETWEEN:
        raise Nonsense(f"A site's dust is {', '.join(MONTHS_BETWEEN)}, not {dust!r}.")
    days = sorted({day for day in cleaned_on if day >= installed_on})
    last_on = days[-1] if days else installed_on
    by_class = due_day(last_on, MONTHS_BETWEEN[dust], 1)
    gaps = [(after - before).days for before, after in pairwise(days)]
    if len(gaps) < GAPS_NEEDED:
        return by_class
    return min(by_class, last_on + timedelta(days=int(median(gaps))))
