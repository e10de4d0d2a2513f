"""What holds for a unit from its last exchange on, case by case: the open due day, renewals and standstills."""

from datetime import date

import pytest

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
        [closed("2026-06-10", "2026-06-15")], "2026-05-12", ["2026-05-12 to ever: due 2026-06-15 re-open"],
        id="it starts on the day its re-open window opens: one segment",
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


def test_a_wide_new_window_waits_for_the_old_agreements_reopen_day_on_a_regular_one():
    terms = [monthly(ends="2026-02-17", before=2), monthly("2026-02-18", "2026-02-17", before=20)]
    standstills = [closed("2026-02-10", "2026-02-15")]
    assert lines(of_unit(terms, standstills, "2025-06-01", "2026-02-13")) == [
        "2026-02-13 to ever: due 2026-02-18"
    ]


def test_a_wide_new_window_does_not_wait_for_a_due_day_that_lapsed():
    terms = [monthly(ends="2026-02-17", before=2), monthly("2026-02-20", "2026-02-17", before=20)]
    standstills = [closed("2026-02-10", "2026-02-18")]
    assert lines(of_unit(terms, standstills, "2025-06-01", "2026-02-01")) == [
        "2026-02-01 to ever: due 2026-03-20"
    ]


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
