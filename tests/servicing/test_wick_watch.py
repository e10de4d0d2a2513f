"""How old a wick is and from which day it is watched.

Outside check: day counts against the proleptic Gregorian ordinal and python-dateutil's calendar; the limits of 420 and
540 days are common practice, no source.
"""

from datetime import UTC, date, datetime, timedelta

import pytest
from dateutil.rrule import DAILY, rrule
from hypothesis import given
from hypothesis import strategies as st

from accounts.clock import local_date
from servicing.rules.values import first_day
from servicing.rules.wick import wick_age_days


def wick_watch_from(since_on, watch_days):
    return first_day(since_on, [(date.min, watch_days)])


@pytest.mark.parametrize(
    ("since", "today", "days"),
    [
        pytest.param("2026-01-01", "2026-01-01", 0, id="put in today"),
        pytest.param("2025-12-31", "2026-01-01", 1, id="put in yesterday"),
        pytest.param("2024-02-28", "2024-03-01", 2, id="across 29 February"),
        pytest.param("2025-02-28", "2025-03-01", 1, id="across a February of 28 days"),
        pytest.param("2026-01-02", "2026-01-01", 0, id="never negative"),
    ],
)
def test_the_age_of_a_wick(since, today, days):
    assert wick_age_days(date.fromisoformat(since), date.fromisoformat(today)) == days


@pytest.mark.parametrize(
    ("since", "watch_days", "watched_on"),
    [
        pytest.param("2025-01-01", 420, "2026-02-25", id="420 days"),
        pytest.param("2023-12-31", 420, "2025-02-23", id="420 days across 29 February"),
        pytest.param("2025-01-01", 540, "2026-06-25", id="540 days"),
        pytest.param("2025-01-01", 0, "2025-01-01", id="at once"),
    ],
)
def test_the_first_day_of_a_wick_watch(since, watch_days, watched_on):
    since_on = date.fromisoformat(since)
    watched_from = wick_watch_from(since_on, watch_days)
    assert watched_from == date.fromisoformat(watched_on)
    assert watched_from == list(rrule(DAILY, dtstart=since_on, count=watch_days + 1))[-1].date()


@given(since=st.dates(date(2000, 1, 1), date(2060, 1, 1)), watch_days=st.integers(0, 2000))
def test_on_the_first_day_of_the_watch_the_wick_is_exactly_that_old(since, watch_days):
    assert wick_age_days(since, wick_watch_from(since, watch_days)) == watch_days


def test_the_wicks_first_day_is_the_sites_own():
    # One instant, 30 minutes before midnight in UTC: already the next day in Berlin, still the same in New York.
    changed_at = datetime(2026, 6, 30, 23, 30, tzinfo=UTC)
    berlin = wick_watch_from(local_date(changed_at, "Europe/Berlin"), 420)
    new_york = wick_watch_from(local_date(changed_at, "America/New_York"), 420)
    assert berlin - new_york == timedelta(days=1)
    assert berlin == date(2027, 8, 25)
