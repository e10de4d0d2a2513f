"""Months by their first days, and years counted from a day."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator
from datetime import date


def month_of(day: date) -> date:
    """The first day of a date's month."""
    return day.replace(day=1)


def month_after(month: date) -> date:
    """The first day of the next month: where a month ends, exclusive."""
    return date(month.year + month.month // 12, month.month % 12 + 1, 1)


def months_later(month: date, count: int) -> date:
    """The first day of the month so many months later; earlier for a negative count."""
    year, index = divmod(month.year * 12 + month.month - 1 + count, 12)
    return date(year, index + 1, 1)


def months_between(first: date, before: date) -> Iterator[date]:
    """The first days of the months from ``first`` on that begin before ``before``."""
    month = month_of(first)
    while month < before:
        yield month
        month = month_after(month)


def months_apart(first: date, last: date) -> int:
    """How many months the month of ``last`` lies after the month of ``first``."""
    return (last.year - first.year) * 12 + last.month - first.month


def whole_months(since: date, until: date) -> int:
    """The whole months gone by from one day to another: 31 January to 28 February is none, to 1 March one."""
    months = months_apart(since, until)
    return months if until.day >= since.day else months - 1


def year_of(starts_on: date, day: date) -> date:
    """The anniversary of ``starts_on`` that begins the year a day lies in; 29 February falls on the 28th elsewhere."""
    begins = _anniversary(starts_on, day.year)
    return begins if begins <= day else _anniversary(starts_on, day.year - 1)


def _anniversary(starts_on: date, year: int) -> date:
    last = monthrange(year, starts_on.month)[1]
    return date(year, starts_on.month, min(starts_on.day, last))
