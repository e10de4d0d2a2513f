"""What the figures of months stand on: where units hung, what they dripped, their wicks, and what was agreed for sites."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from typing import NamedTuple
from uuid import UUID

import numpy as np
from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from servicing.queries.months import reading
from servicing.queries.months.reading import UnitLines
from servicing.queries.service_figures import due_days_of, standstills_of
from servicing.rules import due
from servicing.rules.fold import AHEAD_TOLERANCE
from servicing.rules.lifetimes.wick_life import Label
from servicing.rules.months import Flags, Floats, Interval, Ints, Tenure, WickSpan, Window
from servicing.rules.water import hardness_class

# The longest time between two exchanges that is looked back for: an interval of twelve months, and a month late.
LOOK_BACK = timedelta(days=400)
ENDLESS = 4_000_000  # an ordinal that nobody lives to see
# The next due day's window ends the last one's: far enough ahead to know it.
AHEAD = timedelta(days=400)


@dataclass(frozen=True, slots=True)
class SiteRow:
    """A site as the figures need it."""

    id: UUID
    code: str
    name: str
    customer_id: UUID
    crew_id: UUID | None
    agreed: accounts.AgreedSite
    standstills: list[due.Standstill]


@dataclass(frozen=True, slots=True)
class WickChange:
    unit: int
    site: int
    day: int
    reason: str


class Tail(NamedTuple):
    """What was charged last before a unit was withdrawn or until now (``ended_s`` None)."""

    started_s: int
    ended_s: int | None
    available_ml: int
    site: int


class Liquid(NamedTuple):
    """Of a unit: the family of its liquid ("": not known), the mL a day it is meant to give, and its cartridge's code."""

    family: str = ""
    nominal_ml_per_day: float | None = None
    cartridge: str = ""


@dataclass(slots=True)
class Walked:
    """One unit's lines walked through: see ``Ground`` for what is kept of them."""

    tenures: list[Tenure] = field(default_factory=list)
    exchanges: list[list[int]] = field(default_factory=list)
    intervals: list[Interval] = field(default_factory=list)
    interval_sites: list[int] = field(default_factory=list)
    tails: list[Tail] = field(default_factory=list)
    wicks: list[WickSpan] = field(default_factory=list)
    changes: list[WickChange] = field(default_factory=list)


class Days:
    """Days of the calendar in one zone, from the earliest instant asked about on."""

    def __init__(self, zone: str, first: date, last: date) -> None:
        tz = clock.zone_of(zone)
        self.first = first.toordinal()
        self.midnights = [
            int(datetime.combine(date.fromordinal(day), time.min, tz).astimezone(UTC).timestamp())
            for day in range(self.first, last.toordinal() + 2)
        ]

    def __call__(self, at_s: int) -> int:
        """The day of an instant."""
        return self.first + bisect_right(self.midnights, at_s) - 1

    def exact(self, at_s: int) -> float:
        """The day of an instant with the part of it that has gone by."""
        place = bisect_right(self.midnights, at_s) - 1
        return self.first + place + (at_s - self.midnights[place]) / 86_400


@dataclass(frozen=True)
class Ground:
    """Units and sites by their place in ``unit_ids`` and ``sites``; one entry a unit in ``walked``."""

    window: Window
    now: datetime
    unit_ids: list[UUID]
    liquids: list[Liquid]
    sites: list[SiteRow]
    walked: list[Walked]
    superseded: list[UUID]
    days: dict[str, Days]

    @cached_property
    def tenures(self) -> list[Tenure]:
        return [one for walked in self.walked for one in walked.tenures]

    @cached_property
    def first_day(self) -> int:
        """The day before the first month: what the first month is compared with."""
        return int(self.window.starts[0]) - 1

    @cached_property
    def is_agreed(self) -> Flags:
        """(S, D): whether a site is under agreement on a day, from ``first_day`` on."""
        found = np.zeros((len(self.sites), int(self.window.ends[-1]) - self.first_day), np.bool_)
        for row, site in zip(found, self.sites, strict=True):
            for terms in site.agreed.terms:
                self._mark(row, terms.starts_on, terms.ends_on, value=True)
        return found

    @cached_property
    def is_open(self) -> Flags:
        """(S, D): under agreement, and not closed by a standstill."""
        found = self.is_agreed.copy()
        for row, site in zip(found, self.sites, strict=True):
            for first_on, last_on in due.merge_standstills(site.standstills):
                self._mark(row, first_on, last_on + timedelta(days=1) if last_on else None, value=False)
        return found

    def _mark(self, row: Flags, starts_on: date, ends_on: date | None, *, value: bool) -> None:
        start = max(0, starts_on.toordinal() - self.first_day)
        end = len(row) if ends_on is None else max(start, ends_on.toordinal() - self.first_day)
        row[start:end] = value

    @cached_property
    def open_before(self) -> Ints:
        """(S, D + 1): open days of a site before a day."""
        return np.pad(np.cumsum(self.is_open, axis=1, dtype=np.int32), ((0, 0), (1, 0))).astype(np.int64)

    def open_until(self, site: Ints, day: Floats) -> Floats:
        """The open days of sites (N,) before moments (N, ...) of days, parts of a day counted as parts."""
        at = np.clip(day - self.first_day, 0.0, float(self.is_open.shape[1]))
        whole = np.minimum(at.astype(np.int64), self.is_open.shape[1] - 1)
        row = site.reshape((-1,) + (1,) * (at.ndim - 1))
        return self.open_before[row, whole] + (at - whole) * self.is_open[row, whole]

    def open_days(self, site: int, start: int, end: int) -> int:
        """The open days of a site from day ``start`` until before ``end``, within the window."""
        row, width = self.open_before[site], self.open_before.shape[1] - 1
        first, last = (min(width, max(0, day - self.first_day)) for day in (start, max(start, end)))
        return int(row[last] - row[first])

    def local_days(self, site: int) -> Days:
        return self.days[self.sites[site].agreed.zone]

    def due_days(self, site: int) -> list[due.DueDay]:
        row = self.sites[site]
        return due_days_of(row.agreed, row.standstills, self.window.last_on + AHEAD)


def ground_of(window: Window) -> Ground:
    """All that the figures of a window's months are made of, read once."""
    now = clock.now()
    sites = _sites()
    superseded = reading.superseded_ids()
    since = datetime.combine(window.months[0] - LOOK_BACK, time.min, UTC)
    lines = reading.unit_lines(since, now + AHEAD_TOLERANCE, superseded)
    first = min([min(one.at_s) for one in lines], default=int(now.timestamp()))
    first_on = min(window.months[0], datetime.fromtimestamp(first, UTC).date()) - timedelta(days=2)
    last_on = clock.local_date(now, "UTC") + timedelta(days=3)
    days = {zone: Days(zone, first_on, last_on) for zone in {site.agreed.zone for site in sites}}
    places = {site.id: at for at, site in enumerate(sites)}
    liquids = _liquids([one.unit_id for one in lines])
    walker = _Walker(
        {
            str(station): places[site]
            for station, site in fleet.site_of_each_station().items()
            if site in places
        },
        [days[site.agreed.zone] for site in sites],
        [(site.agreed.kind, hardness_class(site.agreed.hardness_mg_per_l)) for site in sites],
        liquids,
        int(since.timestamp()),
    )
    walked = [walker.walk(at, one) for at, one in enumerate(lines)]
    unit_ids = [one.unit_id for one in lines]
    return Ground(window, now, unit_ids, liquids, sites, walked, superseded, days)


def _sites() -> list[SiteRow]:
    rows = list(accounts.sites().values_list("id", "code", "name", "customer_id", "crew_id"))
    ids = [row[0] for row in rows]
    agreed, standstills = accounts.agreed_sites(ids), standstills_of(ids)
    return [SiteRow(*row, agreed[row[0]], standstills.get(row[0], [])) for row in rows]


_LIQUIDS = """
SELECT u.unit_id, l.family, coalesce(nullif((u.history->>'set_dose_ml_per_day')::float8, 0), c.nominal_dose_ml_per_day::float8),
    c.code
FROM servicing_unitstate u
JOIN fleet_cartridge c ON c.operator_id = u.operator_id AND c.id = (u.history->>'cartridge_id')::uuid
JOIN fleet_liquid l ON l.operator_id = c.operator_id AND l.id = c.liquid_id
WHERE u.operator_id = %s
"""


def _liquids(unit_ids: Sequence[UUID]) -> list[Liquid]:
    with connection.cursor() as cursor:
        cursor.execute(_LIQUIDS, [current_operator_id()])
        found = {row[0]: Liquid(*row[1:]) for row in cursor.fetchall()}
    return [found.get(unit_id, Liquid()) for unit_id in unit_ids]


@dataclass(frozen=True, slots=True)
class _Walker:
    """``stations``: the place of each station's site; per site its days and labels; per unit its liquid's family.

    Before ``since_s`` exchanges were not read: what a unit dripped is not known across it.
    """

    stations: dict[str, int]
    days: list[Days]
    labels: list[tuple[str, str]]
    liquids: list[Liquid]
    since_s: int

    def walk(self, unit: int, lines: UnitLines) -> Walked:
        step = _Walk(self, unit)
        columns = zip(*lines[1:], strict=True)
        for kind, at_s, charge, left, before, after, word, station in columns:
            if kind in {reading.INSTALLED, reading.MOVED}:
                step.place(kind, at_s, self.stations.get(station or ""), charge, word)
            elif step.site is None:
                continue  # said of a unit that hangs nowhere: a finding of the fold
            elif kind == reading.EXCHANGED:
                step.exchange(at_s, charge or 0, left, before, after)
            elif kind == reading.WICK_CHANGED:
                step.change_wick(at_s, word or "other")
            elif kind == reading.CLEANED:
                step.wiped += left or 0
            else:
                step.withdraw(at_s)
        step.end()
        return step.walked


class _Walk:
    """Where one unit stands while its lines are walked through."""

    def __init__(self, walker: _Walker, unit: int) -> None:
        self.walker, self.unit, self.walked = walker, unit, Walked()
        self.site: int | None = None
        self.since = 0
        self.days: list[int] = []
        self.charged_s: int | None = None
        self.available, self.wiped = 0, 0
        self.born: int | None = None

    def place(self, kind: int, at_s: int, site: int | None, charge: int | None, word: str | None) -> None:
        was = self.site
        if kind == reading.MOVED and was is None:
            return
        if site is not None and site != was:
            day = self.walker.days[site](at_s)
            self._leave(day)
            self.site, self.since = site, day
        if kind == reading.INSTALLED and was is None and self.site is not None:
            self._charge(at_s, charge or 0)
            self.born = self.since if word == "new" else None

    def exchange(
        self, at_s: int, charge: int, left: int | None, before: int | None, after: int | None
    ) -> None:
        assert self.site is not None
        self.days.append(self.walker.days[self.site](at_s))
        if self.charged_s is not None and self.walker.since_s <= self.charged_s < at_s:
            self.walked.intervals.append(
                Interval(self.charged_s, at_s, self.available, left, before, self.wiped)
            )
            self.walked.interval_sites.append(self.site)
        self._charge(at_s, charge + (after or 0))

    def change_wick(self, at_s: int, reason: str) -> None:
        assert self.site is not None
        day = self.walker.days[self.site](at_s)
        self._end_wick(day)
        self.walked.changes.append(WickChange(self.unit, self.site, day, reason))
        self.born = day

    def withdraw(self, at_s: int) -> None:
        assert self.site is not None
        day = self.walker.days[self.site](at_s)
        self._end_wick(day)
        self._tail(at_s)
        self._leave(day)
        self.site, self.charged_s, self.born = None, None, None

    def end(self) -> None:
        if self.site is not None:
            self._end_wick(ENDLESS)
            self._tail(None)
            self._leave(ENDLESS)

    def _charge(self, at_s: int, available: int) -> None:
        self.charged_s, self.available, self.wiped = at_s, available, 0

    def _tail(self, ended_s: int | None) -> None:
        assert self.site is not None
        if self.charged_s is not None and self.charged_s >= self.walker.since_s:
            self.walked.tails.append(Tail(self.charged_s, ended_s, self.available, self.site))

    def _leave(self, day: int) -> None:
        if self.site is not None and day > self.since:
            self.walked.tenures.append(Tenure(self.unit, self.site, self.since, day))
            self.walked.exchanges.append(self.days)
        self.days = []

    def _end_wick(self, day: int) -> None:
        assert self.site is not None
        if self.born is not None and day > self.born:
            label: Label = (*self.walker.labels[self.site], self.walker.liquids[self.unit].family)
            self.walked.wicks.append(WickSpan(self.born, day, label))
