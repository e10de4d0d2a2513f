"""The band of a day: ahead, in grace, past grace, long past, standstill or none.

Outside check: the last seconds of local days around the switches of 2026, from the zone rules in force (from memory,
recomputed).
"""

from datetime import UTC, date, datetime, timedelta

import pytest

from accounts.clock import local_date
from servicing.rules.due import Band, Standstill, Terms, band_on, due_segments, segment_on

LONG_PAST_DAYS = 14


def day(text):
    return date.fromisoformat(text)


@pytest.mark.parametrize(
    ("on", "band"),
    [
        ("2026-01-04", Band.NONE),
        ("2026-01-05", Band.AHEAD),
        ("2026-01-09", Band.AHEAD),
        ("2026-01-10", Band.IN_GRACE),
        ("2026-01-15", Band.IN_GRACE),
        ("2026-01-18", Band.IN_GRACE),
        ("2026-01-19", Band.PAST_GRACE),
        ("2026-02-01", Band.PAST_GRACE),
        ("2026-02-02", Band.LONG_PAST),
        ("2026-02-28", Band.LONG_PAST),
        ("2026-03-01", Band.STANDSTILL),
        ("2026-03-26", Band.STANDSTILL),
        ("2026-03-27", Band.IN_GRACE),
        ("2026-04-04", Band.IN_GRACE),
        ("2026-04-05", Band.PAST_GRACE),
        ("2026-04-30", Band.LONG_PAST),
        ("2026-05-01", Band.NONE),
    ],
)
def test_the_band_of_a_day(on, band):
    terms = [Terms(day("2026-01-15"), 1, 5, 3, day("2026-01-01"), day("2026-05-01"))]
    standstills = [Standstill(day("2026-03-01"), day("2026-04-01"))]
    segments = due_segments(terms, standstills, day("2026-01-05"), None, LONG_PAST_DAYS)
    assert band_on(segment_on(segments, day(on)), day(on)) is band


@pytest.mark.parametrize(
    ("zone", "last_second_in_grace"),
    [
        # Due on the day before the switch of 2026, no grace after: past grace from the day of the switch on, and so forth.
        pytest.param("Europe/Berlin", "2026-03-28T22:59:59", id="Berlin, into the short day"),
        pytest.param("Europe/Berlin", "2026-03-29T21:59:59", id="Berlin, out of the short day"),
        pytest.param("Europe/Berlin", "2026-10-25T22:59:59", id="Berlin, out of the long day"),
        pytest.param("America/New_York", "2026-03-09T03:59:59", id="New York, out of the short day"),
        pytest.param("America/New_York", "2026-11-02T04:59:59", id="New York, out of the long day"),
        pytest.param("Australia/Lord_Howe", "2026-04-05T13:29:59", id="Lord Howe, out of the long day"),
        pytest.param("Australia/Lord_Howe", "2026-10-04T12:59:59", id="Lord Howe, out of the short day"),
        pytest.param("Asia/Kolkata", "2026-11-25T18:29:59", id="Kolkata"),
        pytest.param("Pacific/Apia", "2026-11-25T10:59:59", id="Apia"),
    ],
)
def test_past_grace_begins_at_the_sites_local_midnight(zone, last_second_in_grace):
    before = datetime.fromisoformat(last_second_in_grace).replace(tzinfo=UTC)
    today, tomorrow = local_date(before, zone), local_date(before + timedelta(seconds=1), zone)
    terms = [Terms(today, 1, 0, 0, today - timedelta(days=20))]
    (segment,) = due_segments(terms, [], today - timedelta(days=10), None, LONG_PAST_DAYS)
    assert tomorrow == today + timedelta(days=1)
    assert band_on(segment, today) is Band.IN_GRACE
    assert band_on(segment, tomorrow) is Band.PAST_GRACE
