"""When a safety data sheet is to be asked for anew."""

from __future__ import annotations

from datetime import date

from dateutil.relativedelta import relativedelta

# Judgement: suppliers revise their sheets when they learn something new, and nobody else hears of it.
YEARS = 3


def is_old(revision_on: date, today: date) -> bool:
    """Whether a sheet is older than three years."""
    return revision_on + relativedelta(years=YEARS) < today
