"""Due segments against a day-by-day reckoning that shares no code with the rules.

Outside check: the reckoning's due days come from python-dateutil.
"""

from datetime import date, timedelta
from itertools import pairwise

from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from servicing.rules.due import SiteDue, Standstill, Terms, due_segments, segment_on

LONG_PAST_DAYS = 14
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
