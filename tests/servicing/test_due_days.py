"""Due days come from the anchor and clamp at month ends; standstills take them away; exchanges meet them.

Outside checks: python-dateutil's relativedelta and rrule; the monthly example with an invalid date of RFC 5545, section
3.8.5.3 (read in public test suites that quote it); an expansion of SKIP=BACKWARD after RFC 7529 (read in a public
test suite, not in the RFC).
"""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, rrule, rrulestr
from hypothesis import example, given
from hypothesis import strategies as st

from servicing.rules.due import DueDay, Standstill, Terms, due_day, due_days, merge_standstills, met_by


def day(text):
    return date.fromisoformat(text)


def monthly(anchor="2026-01-15", starts="2026-01-01", *, ends=None, months=1, before=5, after=3):
    return Terms(day(anchor), months, before, after, day(starts), ends and day(ends))


def closed(starts, ends=None):
    return Standstill(day(starts), ends and day(ends))


def listed(terms, standstills, until):
    return [f"{due.due_on}{' re-open' * due.is_reopen}" for due in due_days(terms, standstills, day(until))]


def dates(start, rule):
    return [found.date() for found in rrulestr(rule, dtstart=start)]


# --- the n-th due day


@given(
    anchor=st.dates(date(1990, 1, 1), date(2060, 12, 31)),
    interval=st.integers(1, 12),
    n=st.integers(-400, 400),
)
@example(anchor=date(2024, 2, 29), interval=12, n=1)
@example(anchor=date(2024, 2, 29), interval=12, n=4)
@example(anchor=date(2026, 1, 31), interval=1, n=-2)
def test_the_nth_due_day_is_dateutils_anchor_plus_n_intervals(anchor, interval, n):
    assert due_day(anchor, interval, n) == anchor + relativedelta(months=n * interval)


@pytest.mark.parametrize(
    ("anchor_day", "month_days"),
    [
        pytest.param(31, (28, 29, 30, 31), id="anchored on the 31st"),
        pytest.param(30, (28, 29, 30), id="anchored on the 30th"),
        pytest.param(29, (28, 29), id="anchored on the 29th"),
        pytest.param(28, (28,), id="anchored on the 28th"),
    ],
)
def test_month_ends_agree_with_an_rrule_that_takes_the_last_day_there_is(anchor_day, month_days):
    anchor = date(2027, 1, anchor_day)
    expected = rrule(MONTHLY, dtstart=anchor, count=26, bymonthday=month_days, bysetpos=-1)
    assert [due_day(anchor, 1, n) for n in range(26)] == [found.date() for found in expected]


def test_the_anchor_is_never_forgotten_where_a_chain_would_lose_it():
    anchored = [due_day(date(2026, 1, 31), 1, n) for n in range(1, 5)]
    chain = [date(2026, 1, 31)]
    chain += [chain[-1] + relativedelta(months=1)]
    chain += [chain[-1] + relativedelta(months=1)]
    assert anchored == [date(2026, 2, 28), date(2026, 3, 31), date(2026, 4, 30), date(2026, 5, 31)]
    assert chain[1:] == [date(2026, 2, 28), date(2026, 3, 28)]


def test_skip_backward_from_31_january_2014():
    # RSCALE=GREGORIAN;FREQ=MONTHLY;SKIP=BACKWARD;COUNT=4
    expected = [date(2014, 1, 31), date(2014, 2, 28), date(2014, 3, 31), date(2014, 4, 30)]
    assert [due_day(date(2014, 1, 31), 1, n) for n in range(4)] == expected


def test_rfc_5545_leaves_february_out_and_we_do_not():
    # The RFC's example: 15 and 30 of each month from 15 January 2007, five times; 30 February is ignored.
    rfc = dates(date(2007, 1, 15), "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5")
    ours = sorted([due_day(date(2007, 1, d), 1, n) for d in (15, 30) for n in range(3)])
    assert rfc == [
        date(2007, 1, 15),
        date(2007, 1, 30),
        date(2007, 2, 15),
        date(2007, 3, 15),
        date(2007, 3, 30),
    ]
    assert ours == sorted([*rfc, date(2007, 2, 28)])


def test_rfc_5545_counts_from_the_months_end_and_we_from_its_start():
    # The RFC's example of the third-to-last day; ours keeps the 28th, and both agree in a month of 30 days only.
    rfc = dates(date(1997, 9, 28), "FREQ=MONTHLY;BYMONTHDAY=-3;COUNT=6")
    ours = [due_day(date(1997, 9, 28), 1, n) for n in range(6)]
    assert rfc == [
        day(f"{text}")
        for text in ("1997-09-28", "1997-10-29", "1997-11-28", "1997-12-29", "1998-01-29", "1998-02-26")
    ]
    assert [found for found in ours if found in rfc] == [date(1997, 9, 28), date(1997, 11, 28)]


@pytest.mark.parametrize("interval", [0, 13, -1])
def test_an_interval_is_one_to_twelve_months(interval):
    with pytest.raises(ValueError, match="1 to 12 months"):
        due_day(date(2026, 1, 1), interval, 0)
    with pytest.raises(ValueError, match="1 to 12 months"):
        monthly(months=interval)


@pytest.mark.parametrize(("before", "after"), [(-1, 3), (5, -1)])
def test_grace_is_never_negative(before, after):
    with pytest.raises(ValueError, match="0 or more"):
        monthly(before=before, after=after)


# --- the due days of an agreement


def test_a_due_day_carries_its_window_and_the_day_it_is_past_grace():
    assert due_days(monthly(), [], day("2026-02-14")) == [
        DueDay(day("2026-01-15"), day("2026-01-10"), is_reopen=False, past_grace_from=day("2026-01-19"))
    ]


@pytest.mark.parametrize(
    ("terms", "until", "expected"),
    [
        pytest.param(
            monthly("2026-01-31", "2026-01-31"), "2026-04-30",
            ["2026-01-31", "2026-02-28", "2026-03-31", "2026-04-30"],
            id="an anchor on the start is the first due day, and until is included",
        ),
        pytest.param(
            monthly("2019-08-31", "2026-02-01"), "2026-04-29", ["2026-02-28", "2026-03-31"],
            id="an anchor years before the start",
        ),
        pytest.param(
            monthly("2030-01-30", "2026-02-01"), "2026-03-31", ["2026-02-28", "2026-03-30"],
            id="an anchor years after the start",
        ),
        pytest.param(
            monthly("2026-01-15", "2026-01-16", months=3), "2026-12-31", ["2026-04-15", "2026-07-15", "2026-10-15"],
            id="every three months, the anchor a day before the start",
        ),
        pytest.param(
            monthly("2024-02-29", "2024-02-29", months=12), "2028-12-31",
            ["2024-02-29", "2025-02-28", "2026-02-28", "2027-02-28", "2028-02-29"],
            id="yearly from 29 February",
        ),
        pytest.param(
            monthly("2023-11-30", "2024-01-01", months=3), "2025-03-31",
            ["2024-02-29", "2024-05-30", "2024-08-30", "2024-11-30", "2025-02-28"],
            id="quarterly on the 30th across a leap day",
        ),
        pytest.param(
            monthly(ends="2026-03-15"), "2026-12-31", ["2026-01-15", "2026-02-15"],
            id="the day an agreement ends on is no longer due",
        ),
        pytest.param(monthly(ends="2026-01-10"), "2026-12-31", [], id="it ends before its first due day"),
        pytest.param(monthly(ends="2026-01-01"), "2026-12-31", [], id="it ends on the day it starts"),
        pytest.param(monthly(), "2025-12-31", [], id="until lies before the start"),
    ],
)  # fmt: skip
def test_the_due_days_of_an_agreement(terms, until, expected):
    assert listed(terms, [], until) == expected


@pytest.mark.parametrize(
    ("standstills", "expected"),
    [
        pytest.param(
            [closed("2026-02-01", "2026-03-20")], ["2026-01-15", "2026-03-20 re-open", "2026-04-15"],
            id="due days in it lapse and its last day carries the one re-open visit",
        ),
        pytest.param(
            [closed("2026-02-15", "2026-02-25")], ["2026-01-15", "2026-02-25 re-open", "2026-03-15", "2026-04-15"],
            id="a due day on its first day lapses",
        ),
        pytest.param(
            [closed("2026-02-05", "2026-02-15")], ["2026-01-15", "2026-02-15 re-open", "2026-03-15", "2026-04-15"],
            id="a due day on its last day lapses and the re-open visit stands there alone",
        ),
        pytest.param(
            [closed("2026-02-15", "2026-02-15")], ["2026-01-15", "2026-02-15 re-open", "2026-03-15", "2026-04-15"],
            id="a single day that was due",
        ),
        pytest.param(
            [closed("2026-02-05", "2026-02-14")],
            ["2026-01-15", "2026-02-14 re-open", "2026-02-15", "2026-03-15", "2026-04-15"],
            id="a due day the day after it stays",
        ),
        pytest.param(
            [closed("2026-02-20", "2026-03-01")],
            ["2026-01-15", "2026-02-15", "2026-03-01 re-open", "2026-03-15", "2026-04-15"],
            id="between two due days it only adds the re-open visit",
        ),
        pytest.param(
            [closed("2026-03-01", "2026-03-31"), closed("2026-02-10", "2026-02-28")],
            ["2026-01-15", "2026-03-31 re-open", "2026-04-15"],
            id="two that touch are one, in whatever order they come",
        ),
        pytest.param(
            [closed("2026-02-10", "2026-03-31"), closed("2026-02-20", "2026-03-02")],
            ["2026-01-15", "2026-03-31 re-open", "2026-04-15"],
            id="one inside another changes nothing",
        ),
        pytest.param(
            [closed("2026-02-10", "2026-02-20"), closed("2026-02-22", "2026-03-31")],
            ["2026-01-15", "2026-02-20 re-open", "2026-03-31 re-open", "2026-04-15"],
            id="two with an open day between are two",
        ),
        pytest.param([closed("2026-02-10")], ["2026-01-15"], id="open-ended: nothing is due any more"),
        pytest.param(
            [closed("2026-02-10", "9999-12-31")], ["2026-01-15"], id="an end nobody lives to see is open-ended"
        ),
        pytest.param(
            [closed("2026-02-10"), closed("2026-03-01", "2026-03-31")], ["2026-01-15"],
            id="open-ended swallows a later one",
        ),
        pytest.param(
            [closed("2026-03-01", "2026-02-10")], ["2026-01-15", "2026-02-15", "2026-03-15", "2026-04-15"],
            id="one that ends before it starts covers no day",
        ),
        pytest.param(
            [closed("2025-12-01", "2026-01-20")], ["2026-01-20 re-open", "2026-02-15", "2026-03-15", "2026-04-15"],
            id="one that began before the agreement",
        ),
        pytest.param(
            [closed("2025-12-01", "2025-12-31")], ["2026-01-15", "2026-02-15", "2026-03-15", "2026-04-15"],
            id="one that ended before the agreement has no re-open visit",
        ),
        pytest.param(
            [closed("2026-04-10", "2026-05-01")], ["2026-01-15", "2026-02-15", "2026-03-15"],
            id="its last day lies after until",
        ),
    ],
)  # fmt: skip
def test_standstills_take_due_days_away(standstills, expected):
    assert listed(monthly(), standstills, "2026-04-30") == expected


def test_no_reopen_visit_on_a_day_the_agreement_no_longer_covers():
    standstill = [closed("2026-02-10", "2026-03-20")]
    assert listed(monthly(ends="2026-03-20"), standstill, "2026-12-31") == ["2026-01-15"]
    assert listed(monthly(ends="2026-03-21"), standstill, "2026-12-31") == [
        "2026-01-15",
        "2026-03-20 re-open",
    ]


@given(
    pauses=st.lists(st.tuples(st.dates(date(2026, 1, 1), date(2026, 6, 30)), st.integers(0, 40)), max_size=6)
)
def test_merged_standstills_cover_the_same_days_and_never_touch(pauses):
    standstills = [Standstill(first, first + timedelta(days=days)) for first, days in pauses]
    merged = merge_standstills(standstills)
    before = {first + timedelta(days=n) for first, days in pauses for n in range(days + 1)}
    after = [first + timedelta(days=n) for first, last in merged for n in range((last - first).days + 1)]
    assert set(after) == before
    assert len(after) == len(before)
    assert all(first > last + timedelta(days=1) for (_, last), (first, _) in pairwise(merged))


# --- which exchange meets which due day


@pytest.mark.parametrize(
    ("exchanges", "expected"),
    [
        pytest.param([], {}, id="none without exchanges"),
        pytest.param(["2026-01-09"], {}, id="a day too early meets nothing"),
        pytest.param(["2026-01-10"], {"2026-01-15": "2026-01-10"}, id="the first day of the window"),
        pytest.param(["2026-02-09"], {"2026-01-15": "2026-02-09"}, id="late, on the window's last day"),
        pytest.param(
            ["2026-02-10"], {"2026-02-15": "2026-02-10"}, id="the next window's first day leaves one unmet"
        ),
        pytest.param(
            ["2026-01-20", "2026-01-12"],
            {"2026-01-15": "2026-01-12"},
            id="the first of two counts, in any order",
        ),
        pytest.param(
            ["2026-01-14", "2026-02-15", "2026-06-01"],
            {"2026-01-15": "2026-01-14", "2026-02-15": "2026-02-15", "2026-03-15": "2026-06-01"},
            id="the last window stays open",
        ),
    ],
)
def test_an_exchange_meets_the_due_day_whose_window_it_falls_in(exchanges, expected):
    window = due_days(monthly(), [], day("2026-03-31"))
    met = met_by(window, [day(text) for text in exchanges])
    assert met == {day(due): day(exchange) for due, exchange in expected.items()}


def test_an_exchange_in_a_closed_site_meets_the_due_day_before_and_not_the_reopen_visit():
    window = due_days(monthly(), [closed("2026-02-01", "2026-03-20")], day("2026-04-30"))
    assert met_by(window, [day("2026-03-14")]) == {day("2026-01-15"): day("2026-03-14")}
    assert met_by(window, [day("2026-03-15")]) == {day("2026-03-20"): day("2026-03-15")}
