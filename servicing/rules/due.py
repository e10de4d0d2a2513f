"""When a unit's cartridge is due: due days from an agreement's anchor, standstills, and what holds from which day on.

Words of this module:

- A due day's window runs from ``opens_on`` until the next due day's window opens. An exchange in it meets the due day.
- A standstill closes a site from its first to its last day, both included. Regular due days in it lapse; its last
  day carries one re-open due day instead.
- Agreements that follow each other without a day between them are one run: what is unserved when one ends stays due
  under the next. After a gap everything starts afresh.

Nothing here asks what day it is: the segments of a unit hold for all days to come, until its history changes.
"""

from __future__ import annotations

from bisect import bisect_left
from calendar import monthrange
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Literal

MAX_INTERVAL_MONTHS = 12
_DAY = timedelta(days=1)
_NEVER = date(9000, 1, 1)  # a last day nobody lives to see means: open-ended


@dataclass(frozen=True, slots=True)
class Terms:
    """One version of a site's service agreement, as far as due days go.

    ``ends_on`` is the first day it no longer covers; None: open-ended. One that ends before it starts covers no day.
    The anchor fixes the day of the month and may lie before or after the start.
    Raises ValueError for an interval outside 1 to 12 months and for negative grace.
    """

    anchor_on: date
    interval_months: int
    grace_before_days: int
    grace_after_days: int
    starts_on: date
    ends_on: date | None = None

    def __post_init__(self) -> None:
        _check_interval(self.interval_months)
        if self.grace_before_days < 0 or self.grace_after_days < 0:
            raise ValueError("Grace is a number of days, 0 or more.")

    def covers(self, day: date) -> bool:
        return self.starts_on <= day and (self.ends_on is None or day < self.ends_on)


@dataclass(frozen=True, slots=True)
class Standstill:
    """A dated pause of a site, first and last day included; ``ends_on`` None: open-ended.

    One whose last day lies before its first covers no day.
    """

    starts_on: date
    ends_on: date | None = None


@dataclass(frozen=True, slots=True)
class DueDay:
    """A day on which a site's units are due. Done in [opens_on, past_grace_from) is in grace."""

    due_on: date
    opens_on: date
    is_reopen: bool
    past_grace_from: date


@dataclass(frozen=True, slots=True)
class DueSegment:
    """What holds for a unit from ``starts_on`` until the day before ``ends_before`` (None: for good).

    Kind "due": ``due_on`` is the open due day, with the days on which its bands begin. Kind "standstill": the site
    is closed, nothing is due, and the due fields are None.
    """

    starts_on: date
    ends_before: date | None
    kind: Literal["due", "standstill"]
    due_on: date | None = None
    opens_on: date | None = None
    past_grace_from: date | None = None
    long_past_from: date | None = None
    is_reopen: bool = False


class Band(StrEnum):
    AHEAD = "ahead"
    IN_GRACE = "in_grace"
    PAST_GRACE = "past_grace"
    LONG_PAST = "long_past"
    STANDSTILL = "standstill"
    NONE = "none"


def due_day(anchor: date, interval_months: int, n: int) -> date:
    """The n-th due day: the anchor moved by n intervals, on the anchor's day of the month or the month's last day.

    Always counted from the anchor, never from the due day before, so 31 January gives 28 February and then 31 March
    (RFC 5545 would skip the short months; RFC 7529 calls this SKIP=BACKWARD). ``n`` may be negative.
    Raises ValueError for an interval outside 1 to 12 months or a year outside 1 to 9999.
    """
    _check_interval(interval_months)
    year, month0 = divmod(anchor.year * 12 + anchor.month - 1 + n * interval_months, 12)
    day = anchor.day
    if day > 28:  # noqa: PLR2004 - every month has 28 days
        day = min(day, monthrange(year, month0 + 1)[1])
    return date(year, month0 + 1, day)


def due_days(terms: Terms, standstills: Sequence[Standstill], until: date) -> list[DueDay]:
    """The due days of one agreement up to and including ``until``, in order: regular ones and re-open ones."""
    closed = merge_standstills(standstills)
    found = [
        _due_day_of(terms, day, is_reopen=True)
        for _, day in closed
        if day is not None and day <= until and terms.covers(day)
    ]
    day = _regular_from(terms, closed, terms.starts_on)
    while day is not None and day <= until:
        found.append(_due_day_of(terms, day, is_reopen=False))
        day = _regular_from(terms, closed, day + _DAY)
    return sorted(found, key=lambda due: due.due_on)


def met_by(due_days: Sequence[DueDay], exchanges: Sequence[date]) -> dict[date, date]:
    """Which due days were met, and by which exchange: due day -> the first exchange in its window.

    ``due_days`` in order; the last one's window is taken to stay open. An unmet due day has no entry.
    """
    days = sorted(exchanges)
    met = {}
    for place, due in enumerate(due_days):
        first = bisect_left(days, due.opens_on)
        if first == len(days):
            break
        if place + 1 == len(due_days) or days[first] < due_days[place + 1].opens_on:
            met[due.due_on] = days[first]
    return met


def due_segments(
    terms: Sequence[Terms],
    standstills: Sequence[Standstill],
    installed_on: date,
    last_exchange_on: date | None,
    long_past_days: int,
) -> list[DueSegment]:
    """The due segments of one unit; see ``SiteDue.segments``. For many units of a site, build one SiteDue."""
    return SiteDue(terms, standstills).segments(installed_on, last_exchange_on, long_past_days)


def segment_on(segments: Sequence[DueSegment], today: date) -> DueSegment | None:
    """The segment that holds on a day, or None when no agreement asks for anything."""
    for segment in segments:
        if segment.starts_on <= today and (segment.ends_before is None or today < segment.ends_before):
            return segment
    return None


def band_on(segment: DueSegment | None, today: date) -> Band:
    """How a unit stands on a day, given the segment that holds then (None: Band.NONE)."""
    if segment is None:
        return Band.NONE
    if segment.opens_on is None or segment.past_grace_from is None or segment.long_past_from is None:
        return Band.STANDSTILL
    if today >= segment.long_past_from:
        return Band.LONG_PAST
    if today >= segment.past_grace_from:
        return Band.PAST_GRACE
    return Band.IN_GRACE if today >= segment.opens_on else Band.AHEAD


def merge_standstills(standstills: Sequence[Standstill]) -> list[tuple[date, date | None]]:
    """Standstills as (first day, last day or None), in order; those that overlap or touch are one."""
    merged: list[tuple[date, date | None]] = []
    for standstill in sorted(standstills, key=lambda one: one.starts_on):
        starts_on, ends_on = standstill.starts_on, standstill.ends_on
        if ends_on is not None and ends_on < starts_on:
            continue
        if ends_on is not None and ends_on >= _NEVER:
            ends_on = None
        if merged:
            before_on, until_on = merged[-1]
            if until_on is None:
                break
            if starts_on <= until_on + _DAY:
                merged[-1] = (before_on, None if ends_on is None else max(until_on, ends_on))
                continue
        merged.append((starts_on, ends_on))
    return merged


class SiteDue:
    """What all units of one site share: its agreements and standstills, worked out once.

    ``terms`` are the versions of the site's agreement in any order. Raises ValueError if two of them overlap.
    """

    __slots__ = ("_runs",)

    def __init__(self, terms: Sequence[Terms], standstills: Sequence[Standstill]) -> None:
        closed = merge_standstills(standstills)
        self._runs = [_Run(unbroken, closed) for unbroken in _unbroken(terms)]

    def segments(
        self, installed_on: date, last_exchange_on: date | None, long_past_days: int
    ) -> list[DueSegment]:
        """What holds for a unit from its last exchange (else its installation) on: ordered, never overlapping.

        The exchange, like the installation, serves the last due day whose window had opened by then; open is the
        next one, and it stays open however late it gets. From a standstill's first day nothing is open; from the
        day its re-open window opens, the re-open day is, and it takes the place of every older one.
        Days that no agreement covers, or after which none asks for anything, have no segment.
        """
        served_on = installed_on if last_exchange_on is None else max(installed_on, last_exchange_on)
        return [
            segment
            for run in self._runs
            for segment in run.segments(served_on, timedelta(days=long_past_days))
        ]


class _Run:
    """Agreements without a gap between them, and the standstills that touch them."""

    __slots__ = ("_closed", "_pauses", "_stretches", "ends_before", "starts_on")

    def __init__(self, terms: Sequence[Terms], closed: Sequence[tuple[date, date | None]]) -> None:
        self.starts_on = terms[0].starts_on
        self.ends_before = terms[-1].ends_on
        self._closed = closed
        # Under new terms a window never opens before the last one under the old terms has.
        self._stretches: list[tuple[Terms, date | None]] = []
        floor: date | None = None
        for one in terms:
            self._stretches.append((one, floor))
            last_on = None if one is terms[-1] else _last_due_on(one, closed)
            if last_on is not None:
                floor = _opens_on(one, last_on, floor) + _DAY
        self._pauses = [
            (first_on, self._reopen(last_on))
            for first_on, last_on in closed
            if (last_on is None or last_on >= self.starts_on)
            and (self.ends_before is None or first_on < self.ends_before)
        ]

    def segments(self, served_on: date, long_past: timedelta) -> Iterator[DueSegment]:
        starts_on = max(served_on, self.starts_on)
        if self.ends_before is not None and starts_on >= self.ends_before:
            return
        state: DueDay | Literal["standstill"] | None = self._next_due(served_on)
        for day, following in self._turns(served_on):
            if following == state:
                continue
            if day > starts_on:
                if state is not None:
                    yield _segment(starts_on, day, state, long_past)
                starts_on = day
            state = following
        if state is not None:
            yield _segment(starts_on, self.ends_before, state, long_past)

    def _turns(self, served_on: date) -> Iterator[tuple[date, DueDay | Literal["standstill"]]]:
        """The days, in order, from which a standstill or its re-open day rules, unless served already."""
        for first_on, reopen in self._pauses:
            if reopen is None:
                yield first_on, "standstill"
            elif reopen.opens_on > served_on:
                if first_on < reopen.opens_on:
                    yield first_on, "standstill"
                yield reopen.opens_on, reopen

    def _next_due(self, served_on: date) -> DueDay | None:
        """The first due day whose window opens after a day."""
        for terms, floor in self._stretches:
            from_on = terms.starts_on
            if floor is None or floor <= served_on:
                from_on = max(from_on, served_on + timedelta(days=terms.grace_before_days + 1))
            regular_on = _regular_from(terms, self._closed, from_on)
            for _, reopen in self._pauses:
                if reopen is not None and reopen.due_on >= from_on and terms.covers(reopen.due_on):
                    if regular_on is None or reopen.due_on < regular_on:
                        return reopen
                    break
            if regular_on is not None:
                return _due_day_of(terms, regular_on, is_reopen=False, floor=floor)
        return None

    def _reopen(self, last_on: date | None) -> DueDay | None:
        if last_on is None:
            return None
        for terms, floor in self._stretches:
            if terms.covers(last_on):
                return _due_day_of(terms, last_on, is_reopen=True, floor=floor)
        return None


def _unbroken(terms: Sequence[Terms]) -> list[list[Terms]]:
    runs: list[list[Terms]] = []
    ends_before: date | None = None
    for one in sorted(terms, key=lambda version: version.starts_on):
        if one.ends_on is not None and one.ends_on <= one.starts_on:
            continue
        if runs and (ends_before is None or ends_before > one.starts_on):
            raise ValueError(f"Two agreements of one site both cover {one.starts_on.isoformat()}.")
        if runs and ends_before == one.starts_on:
            runs[-1].append(one)
        else:
            runs.append([one])
        ends_before = one.ends_on
    return runs


def _segment(
    starts_on: date, ends_before: date | None, state: DueDay | Literal["standstill"], long_past: timedelta
) -> DueSegment:
    if isinstance(state, str):
        return DueSegment(starts_on, ends_before, "standstill")
    return DueSegment(
        starts_on,
        ends_before,
        "due",
        state.due_on,
        state.opens_on,
        state.past_grace_from,
        state.past_grace_from + long_past,
        state.is_reopen,
    )


def _due_day_of(terms: Terms, due_on: date, *, is_reopen: bool, floor: date | None = None) -> DueDay:
    return DueDay(
        due_on,
        _opens_on(terms, due_on, floor),
        is_reopen,
        due_on + timedelta(days=terms.grace_after_days + 1),
    )


def _opens_on(terms: Terms, due_on: date, floor: date | None) -> date:
    opens_on = due_on - timedelta(days=terms.grace_before_days)
    return opens_on if floor is None else max(opens_on, floor)


def _regular_from(terms: Terms, closed: Sequence[tuple[date, date | None]], from_on: date) -> date | None:
    """The first regular due day on or after a day that the agreement covers and no standstill takes away."""
    from_on = max(from_on, terms.starts_on)
    day = due_day(terms.anchor_on, terms.interval_months, _first_index(terms, from_on))
    for first_on, last_on in closed:
        if day < first_on:
            break
        if last_on is None:
            return None
        if day <= last_on:
            day = due_day(terms.anchor_on, terms.interval_months, _first_index(terms, last_on + _DAY))
    return day if terms.covers(day) else None


def _last_due_on(terms: Terms, closed: Sequence[tuple[date, date | None]]) -> date | None:
    """The last due day of an agreement with an end, regular or re-open."""
    if terms.ends_on is None:
        return None
    day = due_day(terms.anchor_on, terms.interval_months, _first_index(terms, terms.ends_on) - 1)
    for first_on, last_on in reversed(closed):
        if last_on is not None and last_on >= day and terms.covers(last_on):
            return last_on
        if first_on <= day and (last_on is None or day <= last_on):
            day = due_day(terms.anchor_on, terms.interval_months, _first_index(terms, first_on) - 1)
    return day if terms.covers(day) else None


def _first_index(terms: Terms, from_on: date) -> int:
    """The n of the first due day on or after a day."""
    anchor = terms.anchor_on
    months = (from_on.year - anchor.year) * 12 + from_on.month - anchor.month
    n = months // terms.interval_months
    return n if due_day(anchor, terms.interval_months, n) >= from_on else n + 1


def _check_interval(interval_months: int) -> None:
    if not 1 <= interval_months <= MAX_INTERVAL_MONTHS:
        raise ValueError(f"An interval is 1 to {MAX_INTERVAL_MONTHS} months, not {interval_months}.")
