"""What holds for a unit from its last exchange on: the open due day, standstills, and the band of a day.

Outside check: a day-by-day reckoning that shares no code with the rules; its due days come from python-dateutil.
The dates of midnight in the zones come from the pinned zone rules.
"""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from accounts.clock import local_date
from servicing.rules.due import (
    Band,
    DueSegment,
    SiteDue,
    Standstill,
    Terms,
    band_on,
    due_segments,
    segment_on,
)

LONG_PAST_DAYS = 14


def day(text):
    return date.fromisoformat(text)


def monthly(anchor="2026-01-15", starts="2026-01-01", *, ends=None, months=1, before=5, after=3):
    return Terms(day(anchor), months, before, after, day(starts), ends and day(ends))


def closed(starts, ends=None):
    return Standstill(day(starts), ends and day(ends))


def lines(segments):
    """Segments as sentences: "from .. until ..: due .."."""
    return [
        f"{segment.starts_on} to {segment.ends_before or 'ever'}: "
        f"{segment.kind}{f' {segment.due_on}' if segment.due_on else ''}{' re-open' * segment.is_reopen}"
        for segment in segments
    ]


def of_unit(terms, standstills, installed, exchanged=None):
    return due_segments(terms, standstills, day(installed), exchanged and day(exchanged), LONG_PAST_DAYS)


ONE = [monthly()]

PLAIN = [
    pytest.param(
        ONE, "2026-01-05", None, ["2026-01-05 to ever: due 2026-01-15"],
        id="never exchanged since installation: the first window that opens after it",
    ),
    pytest.param(
        ONE, "2026-01-10", None, ["2026-01-10 to ever: due 2026-02-15"],
        id="installed on the day a window opens: a fresh cartridge serves that due day",
    ),
    pytest.param(
        ONE, "2025-11-03", None, ["2026-01-01 to ever: due 2026-01-15"],
        id="installed before the agreement starts",
    ),
    pytest.param(
        ONE, "2025-11-03", "2026-01-10", ["2026-01-10 to ever: due 2026-02-15"],
        id="exchanged on the window's first day",
    ),
    pytest.param(
        ONE, "2025-11-03", "2026-01-09", ["2026-01-09 to ever: due 2026-01-15"],
        id="exchanged a day too early: still due",
    ),
    pytest.param(
        ONE, "2025-11-03", "2026-02-09", ["2026-02-09 to ever: due 2026-02-15"],
        id="exchanged late, a day before the next window: due again within the week",
    ),
    pytest.param(
        ONE, "2025-11-03", "2026-02-10", ["2026-02-10 to ever: due 2026-03-15"],
        id="exchanged so late that the next window had opened",
    ),
    pytest.param(
        ONE, "2025-11-03", "2025-12-20", ["2026-01-01 to ever: due 2026-01-15"],
        id="last exchanged before the agreement started",
    ),
    pytest.param(
        ONE, "2026-05-01", "2026-02-10", ["2026-05-01 to ever: due 2026-05-15"],
        id="installed again after its last exchange",
    ),
    pytest.param(
        [monthly("2024-02-29", months=12)], "2025-06-01", None, ["2026-01-01 to ever: due 2026-02-28"],
        id="yearly from 29 February, clamped",
    ),
    pytest.param(
        [monthly("2024-02-29", months=12)], "2025-06-01", "2027-03-01", ["2027-03-01 to ever: due 2028-02-29"],
        id="yearly from 29 February, in a leap year",
    ),
    pytest.param([], "2026-01-05", None, [], id="no agreement at all"),
    pytest.param(
        [monthly(ends="2026-02-01")], "2025-12-01", None, ["2026-01-01 to 2026-02-01: due 2026-01-15"],
        id="an agreement's end ends its segments",
    ),
    pytest.param(
        [monthly(ends="2026-02-01")], "2025-12-01", "2026-01-15", [],
        id="nothing more is due before the agreement's end",
    ),
    pytest.param([monthly(ends="2026-01-12")], "2025-12-01", None, [], id="it ends before its first due day"),
    pytest.param([monthly(ends="2026-02-01")], "2026-02-01", None, [], id="installed on the day it ends"),
]  # fmt: skip


@pytest.mark.parametrize(("terms", "installed", "exchanged", "expected"), PLAIN)
def test_without_standstills(terms, installed, exchanged, expected):
    assert lines(of_unit(terms, [], installed, exchanged)) == expected


RENEWED = [
    pytest.param(
        [monthly(ends="2026-03-01"), monthly("2026-03-05", "2026-03-01")], "2026-02-12",
        ["2026-02-12 to ever: due 2026-03-05"],
        id="a new anchor without a gap: the next due day is the new agreement's",
    ),
    pytest.param(
        [monthly(ends="2026-03-01"), monthly("2026-03-05", "2026-03-01")], "2026-01-12",
        ["2026-01-12 to ever: due 2026-02-15"],
        id="a new anchor without a gap: what is unserved stays open",
    ),
    pytest.param(
        [monthly("2026-03-05", "2026-03-01"), monthly(ends="2026-03-01")], "2026-02-28",
        ["2026-02-28 to ever: due 2026-04-05"],
        id="a window that opened before the new agreement started counts",
    ),
    pytest.param(
        [monthly(ends="2026-03-15"), monthly(starts="2026-03-15", after=10)], "2026-02-12",
        ["2026-02-12 to ever: due 2026-03-15"],
        id="new grace from a due day on: that day falls under the new agreement, once",
    ),
    pytest.param(
        [monthly(ends="2026-03-01"), monthly("2026-03-20", "2026-03-10")], "2026-01-12",
        ["2026-01-12 to 2026-03-01: due 2026-02-15", "2026-03-10 to ever: due 2026-03-20"],
        id="a gap between two: nothing holds in it and the old debt is gone",
    ),
    pytest.param(
        [monthly(ends="2026-03-01"), monthly("2026-03-20", "2026-03-10")], "2026-02-12",
        ["2026-03-10 to ever: due 2026-03-20"],
        id="a gap between two, served before it",
    ),
    pytest.param(
        [monthly(ends="2026-03-01"), monthly("2026-03-20", "2026-03-10")], "2026-03-05",
        ["2026-03-10 to ever: due 2026-03-20"],
        id="served in the gap, before the first new window",
    ),
    pytest.param(
        [monthly(ends="2026-02-17", before=2), monthly("2026-02-18", "2026-02-17", before=20)], "2026-01-31",
        ["2026-01-31 to ever: due 2026-02-15"],
        id="a wide new window does not swallow the last old due day",
    ),
    pytest.param(
        [monthly(ends="2026-02-17", before=2), monthly("2026-02-18", "2026-02-17", before=20)], "2026-02-13",
        ["2026-02-13 to ever: due 2026-02-18"],
        id="a wide new window opens only after the last old one",
    ),
    pytest.param(
        [monthly(ends="2026-02-17", before=2), monthly("2026-02-18", "2026-02-17", before=20)], "2026-02-14",
        ["2026-02-14 to ever: due 2026-03-18"],
        id="and then one exchange is enough",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("terms", "exchanged", "expected"), RENEWED)
def test_agreements_that_follow_each_other(terms, exchanged, expected):
    assert lines(of_unit(terms, [], "2025-06-01", exchanged)) == expected


SUMMER = closed("2026-07-01", "2026-08-20")

STANDSTILLS = [
    pytest.param(
        [SUMMER], "2026-06-12",
        ["2026-06-12 to 2026-07-01: due 2026-08-20 re-open", "2026-07-01 to 2026-08-15: standstill",
         "2026-08-15 to ever: due 2026-08-20 re-open"],
        id="served before it: the re-open visit is next",
    ),
    pytest.param(
        [SUMMER], "2026-05-12",
        ["2026-05-12 to 2026-07-01: due 2026-06-15", "2026-07-01 to 2026-08-15: standstill",
         "2026-08-15 to ever: due 2026-08-20 re-open"],
        id="unserved just before it: the re-open visit takes the old one's place",
    ),
    pytest.param(
        [SUMMER], "2026-07-10",
        ["2026-07-10 to 2026-08-15: standstill", "2026-08-15 to ever: due 2026-08-20 re-open"],
        id="exchanged in the closed site, before the re-open window",
    ),
    pytest.param(
        [SUMMER], "2026-08-14",
        ["2026-08-14 to 2026-08-15: standstill", "2026-08-15 to ever: due 2026-08-20 re-open"],
        id="exchanged the day before the re-open window",
    ),
    pytest.param(
        [SUMMER], "2026-08-15", ["2026-08-15 to ever: due 2026-09-15"],
        id="exchanged on the re-open window's first day",
    ),
    pytest.param(
        [SUMMER], "2026-08-20", ["2026-08-20 to ever: due 2026-09-15"], id="exchanged on the re-open day",
    ),
    pytest.param(
        [SUMMER], "2026-09-09", ["2026-09-09 to ever: due 2026-09-15"], id="re-opened late"
    ),
    pytest.param(
        [closed("2026-06-15", "2026-06-25")], "2026-05-12",
        ["2026-05-12 to 2026-06-15: due 2026-06-25 re-open", "2026-06-15 to 2026-06-20: standstill",
         "2026-06-20 to ever: due 2026-06-25 re-open"],
        id="the due day on its first day lapses",
    ),
    pytest.param(
        [closed("2026-06-01", "2026-06-15")], "2026-05-12",
        ["2026-05-12 to 2026-06-01: due 2026-06-15 re-open", "2026-06-01 to 2026-06-10: standstill",
         "2026-06-10 to ever: due 2026-06-15 re-open"],
        id="its last day is a regular due day: one re-open visit",
    ),
    pytest.param(
        [closed("2026-06-01", "2026-06-15")], "2026-06-10", ["2026-06-10 to ever: due 2026-07-15"],
        id="and that one visit serves both",
    ),
    pytest.param(
        [closed("2026-06-12", "2026-06-14")], "2026-05-12", ["2026-05-12 to ever: due 2026-06-14 re-open"],
        id="shorter than the grace before: never closed, the re-open visit alone, in one segment",
    ),
    pytest.param(
        [closed("2026-06-12", "2026-06-14")], "2026-06-10", ["2026-06-10 to ever: due 2026-07-15"],
        id="one visit serves the re-open day and the regular one after it",
    ),
    pytest.param(
        [closed("2026-06-16", "2026-06-17")], "2026-05-12",
        ["2026-05-12 to 2026-06-12: due 2026-06-15", "2026-06-12 to ever: due 2026-06-17 re-open"],
        id="a short one just after a due day moves the visit to its last day",
    ),
    pytest.param(
        [closed("2026-06-01", "2026-06-20"), closed("2026-06-18", "2026-07-20")], "2026-05-12",
        ["2026-05-12 to 2026-06-01: due 2026-07-20 re-open", "2026-06-01 to 2026-07-15: standstill",
         "2026-07-15 to ever: due 2026-07-20 re-open"],
        id="two that overlap are one",
    ),
    pytest.param(
        [closed("2026-06-21", "2026-07-20"), closed("2026-06-01", "2026-06-20")], "2026-05-12",
        ["2026-05-12 to 2026-06-01: due 2026-07-20 re-open", "2026-06-01 to 2026-07-15: standstill",
         "2026-07-15 to ever: due 2026-07-20 re-open"],
        id="two that touch are one",
    ),
    pytest.param(
        [closed("2026-06-01", "2026-06-20"), closed("2026-06-22", "2026-07-20")], "2026-05-12",
        ["2026-05-12 to 2026-06-01: due 2026-06-20 re-open", "2026-06-01 to 2026-06-15: standstill",
         "2026-06-15 to 2026-06-22: due 2026-06-20 re-open", "2026-06-22 to 2026-07-15: standstill",
         "2026-07-15 to ever: due 2026-07-20 re-open"],
        id="two with an open day between have two re-open visits",
    ),
    pytest.param(
        [closed("2026-05-20", "2026-05-25"), closed("2026-09-01", "2026-09-30")], "2026-06-12",
        ["2026-06-12 to 2026-09-01: due 2026-07-15", "2026-09-01 to 2026-09-25: standstill",
         "2026-09-25 to ever: due 2026-09-30 re-open"],
        id="one long over and one far ahead",
    ),
    pytest.param(
        [closed("2026-07-01")], "2026-05-12",
        ["2026-05-12 to 2026-07-01: due 2026-06-15", "2026-07-01 to ever: standstill"],
        id="open-ended: closed for good",
    ),
    pytest.param(
        [closed("2026-07-01")], "2026-06-12", ["2026-07-01 to ever: standstill"],
        id="open-ended and served: nothing is due until it starts",
    ),
    pytest.param([closed("2026-07-01")], "2026-07-03", ["2026-07-03 to ever: standstill"], id="exchanged in an open-ended one"),
    pytest.param(
        [closed("2025-12-01", "2026-05-31")], "2026-05-20",
        ["2026-05-20 to 2026-05-26: standstill", "2026-05-26 to ever: due 2026-05-31 re-open"],
        id="it started before the unit was there",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("standstills", "exchanged", "expected"), STANDSTILLS)
def test_with_standstills(standstills, exchanged, expected):
    assert lines(of_unit(ONE, standstills, "2026-01-01", exchanged)) == expected
    # An installation serves as an exchange does.
    assert lines(of_unit(ONE, standstills, exchanged)) == expected


ENDS_IN_STANDSTILL = [
    pytest.param(
        [monthly(ends="2026-08-01")],
        ["2026-06-12 to 2026-07-01: due 2026-06-30", "2026-07-01 to 2026-08-01: standstill"],
        id="the agreement ends while the site is closed",
    ),
    pytest.param(
        [monthly(ends="2026-08-01"), monthly("2026-08-01", "2026-08-01", before=2)],
        ["2026-06-12 to 2026-07-01: due 2026-06-30", "2026-07-01 to 2026-08-18: standstill",
         "2026-08-18 to ever: due 2026-08-20 re-open"],
        id="the new agreement's grace opens the re-open window",
    ),
    pytest.param(
        [monthly(ends="2026-08-01"), monthly("2026-08-01", "2026-08-10")],
        ["2026-06-12 to 2026-07-01: due 2026-06-30", "2026-07-01 to 2026-08-01: standstill",
         "2026-08-10 to 2026-08-15: standstill", "2026-08-15 to ever: due 2026-08-20 re-open"],
        id="the gap lies in it",
    ),
    pytest.param(
        [monthly(ends="2026-08-01"), monthly("2026-08-01", "2026-08-18")],
        ["2026-06-12 to 2026-07-01: due 2026-06-30", "2026-07-01 to 2026-08-01: standstill",
         "2026-08-18 to ever: due 2026-08-20 re-open"],
        id="the new agreement starts inside the re-open window",
    ),
    pytest.param(
        [monthly(ends="2026-08-01"), monthly("2026-08-01", "2026-08-21")],
        ["2026-06-12 to 2026-07-01: due 2026-06-30", "2026-07-01 to 2026-08-01: standstill",
         "2026-08-21 to ever: due 2026-09-01"],
        id="the new agreement starts the day after it",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("terms", "expected"), ENDS_IN_STANDSTILL)
def test_a_standstill_across_an_agreements_end(terms, expected):
    moved = [Terms(day("2026-06-30"), 1, 5, 3, terms[0].starts_on, terms[0].ends_on), *terms[1:]]
    assert lines(of_unit(moved, [SUMMER], "2026-01-01", "2026-06-12")) == expected


def test_a_due_segment_carries_the_first_days_of_its_bands():
    assert of_unit(ONE, [], "2026-01-05") == [
        DueSegment(
            starts_on=day("2026-01-05"),
            ends_before=None,
            kind="due",
            due_on=day("2026-01-15"),
            opens_on=day("2026-01-10"),
            past_grace_from=day("2026-01-19"),
            long_past_from=day("2026-02-02"),
            is_reopen=False,
        )
    ]


def test_the_old_agreements_grace_stays_with_its_unserved_due_day():
    renewed = [monthly(ends="2026-03-01", after=3), monthly(starts="2026-03-01", after=20)]
    (segment,) = of_unit(renewed, [], "2025-06-01", "2026-01-12")
    assert segment.past_grace_from == day("2026-02-19")
    (segment,) = of_unit(renewed, [], "2025-06-01", "2026-02-12")
    assert segment.past_grace_from == day("2026-04-05")


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
    segments = of_unit([monthly(ends="2026-05-01")], [closed("2026-03-01", "2026-04-01")], "2026-01-05")
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


def test_overlapping_agreements_of_a_site_are_refused():
    with pytest.raises(ValueError, match="2026-02-01"):
        SiteDue([monthly(), monthly(starts="2026-02-01")], [])
    assert lines(of_unit([monthly(), monthly(starts="2026-02-01", ends="2026-02-01")], [], "2026-01-05")) == [
        "2026-01-05 to ever: due 2026-01-15"
    ]


def test_a_unit_nobody_visits_stays_on_its_oldest_due_day_for_decades():
    (segment,) = of_unit(ONE, [], "2026-01-05")
    assert segment.due_on == day("2026-01-15")
    assert band_on(segment_on([segment], day("2066-01-01")), day("2066-01-01")) is Band.LONG_PAST


# --- against a day-by-day reckoning

FIRST = date(2026, 1, 1)
HORIZON = 420


def reckoned(terms, standstills, served_on):
    """What is open on each day of the horizon, reckoned from the sentences of the rule, a day at a time."""
    span = [FIRST + timedelta(days=n) for n in range(-60, HORIZON + 60)]
    shut = {
        d for d in span for s in standstills if s.starts_on <= d and (s.ends_on is None or d <= s.ends_on)
    }
    regular = {
        terms.anchor_on + relativedelta(months=n * terms.interval_months) for n in range(-40, 41)
    } - shut
    last_days = {d for d in shut if d + timedelta(days=1) not in shut and d < span[-1]}
    covered = [d for d in span if terms.starts_on <= d and (terms.ends_on is None or d < terms.ends_on)]
    grace = timedelta(days=terms.grace_before_days)
    unmet = [d for d in covered if d in regular | last_days and d - grace > served_on]
    seen = {}
    for today in [d for d in covered if max(FIRST, served_on) <= d < FIRST + timedelta(days=HORIZON)]:
        reopening = [d for d in unmet if d in last_days and d - grace <= today]
        shut_until = min((d for d in last_days if d >= today), default=span[-1])
        reopens = shut_until in covered and shut_until - grace <= max(today, served_on)
        is_closed = today in shut and not reopens
        seen[today] = "standstill" if is_closed else (reopening[-1:] or unmet[:1] or [None])[0]
    return seen


days_of_2026 = st.integers(0, 360).map(lambda n: FIRST + timedelta(days=n))
pauses = st.builds(
    lambda first, days: Standstill(first, None if days is None else first + timedelta(days=days)),
    days_of_2026,
    st.one_of(st.integers(0, 60), st.integers(0, 8), st.none()),
)
agreements = st.builds(
    lambda anchor, months, before, after, starts, length: Terms(
        anchor, months, before, after, starts, None if length is None else starts + timedelta(days=length)
    ),
    st.dates(date(2025, 1, 1), date(2027, 12, 31)),
    st.integers(1, 3),
    st.integers(0, 9),
    st.integers(0, 9),
    days_of_2026,
    st.one_of(st.none(), st.integers(1, 300)),
)


@settings(max_examples=150, deadline=None)
@given(terms=agreements, standstills=st.lists(pauses, max_size=4), served_on=days_of_2026)
def test_segments_agree_with_a_day_by_day_reckoning(terms, standstills, served_on):
    segments = due_segments([terms], standstills, served_on, None, LONG_PAST_DAYS)
    expected = reckoned(terms, standstills, served_on)
    held = {today: segment_on(segments, today) for today in expected}
    assert {
        today: segment and (segment.due_on or segment.kind) for today, segment in held.items()
    } == expected


@settings(max_examples=150, deadline=None)
@given(
    cuts=st.lists(st.integers(1, 200), min_size=1, max_size=3),
    gaps=st.lists(st.sampled_from([0, 0, 30]), min_size=4, max_size=4),
    anchors=st.lists(st.integers(0, 360), min_size=4, max_size=4),
    before=st.lists(st.integers(0, 9), min_size=4, max_size=4),
    standstills=st.lists(pauses, max_size=4),
    served_on=days_of_2026,
)
def test_segments_are_in_order_apart_and_as_few_as_can_be(
    *, cuts, gaps, anchors, before, standstills, served_on
):
    starts = [FIRST + timedelta(days=sum(cuts[:n]) + sum(gaps[:n])) for n in range(len(cuts) + 1)]
    ends = [start + timedelta(days=cut) for start, cut in zip(starts, cuts, strict=False)]
    terms = [
        Terms(FIRST + timedelta(days=anchors[n]), 1, before[n], 3, start, end)
        for n, (start, end) in enumerate(zip(starts, [*ends, None], strict=True))
    ]
    site = SiteDue(terms, standstills)
    segments = site.segments(served_on, None, LONG_PAST_DAYS)
    assert segments == due_segments(terms[::-1], standstills[::-1], FIRST, served_on, LONG_PAST_DAYS)
    assert all(one.starts_on >= served_on for one in segments)
    assert all(one.ends_before is None or one.starts_on < one.ends_before for one in segments)
    assert all(
        one.ends_before is not None and one.ends_before <= two.starts_on for one, two in pairwise(segments)
    )
    assert all(one.opens_on is None or one.opens_on > served_on for one in segments)
    touching = [(one, two) for one, two in pairwise(segments) if one.ends_before == two.starts_on]
    assert all((one.kind, one.due_on) != (two.kind, two.due_on) for one, two in touching)
