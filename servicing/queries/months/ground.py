"""What the figures of months stand on: where units hung, what they dripped, their wicks, and what was agreed for sites."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from itertools import groupby
from operator import attrgetter, itemgetter
from typing import NamedTuple
from uuid import UUID

import numpy as np
from django.db import connection

from accounts import clock
from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from servicing.queries.months import reading
from servicing.queries.months.charges import Charges, LocalDays, charges_of
from servicing.queries.months.reading import Said
from servicing.queries.months.tenancies import Days, Map, Walked, walk
from servicing.queries.service_figures import due_days_of, standstills_of
from servicing.rules import due
from servicing.rules.fold import AHEAD_TOLERANCE
from servicing.rules.months import Flags, Floats, Ints, Tenure, Window
from servicing.rules.water import hardness_class

# The longest time between two exchanges that is looked back for: an interval of twelve months, and a month late.
LOOK_BACK = timedelta(days=400)
# The next due day's window ends the last one's: far enough ahead to know it.
AHEAD = timedelta(days=62)


@dataclass(frozen=True, slots=True)
class SiteRow:
    """A site as the figures need it."""

    id: UUID
    code: str
    name: str
    crew_id: UUID | None
    agreed: accounts.AgreedSite
    standstills: list[due.Standstill]


class Liquid(NamedTuple):
    """Of a unit: the family of its liquid ("": not known), the mL a day it is meant to give, and its cartridge's code."""

    family: str = ""
    nominal_ml_per_day: float | None = None
    cartridge: str = ""


@dataclass(frozen=True, slots=True)
class Span:
    """What of the log is read: from ``since`` (but for what is ever read) until before ``until``, less what is superseded."""

    since: datetime
    until: datetime
    superseded: list[UUID]


@dataclass(frozen=True)
class Ground:
    """Units and sites by their place in ``unit_ids`` and ``sites``; ``events`` are all but exchanges and cleanings."""

    window: Window
    now: datetime
    unit_ids: list[UUID]
    liquids: list[Liquid]
    sites: list[SiteRow]
    walked: Walked
    events: list[Said]
    local_days: LocalDays
    span: Span

    @property
    def tenures(self) -> list[Tenure]:
        return self.walked.tenures

    @cached_property
    def charges(self) -> Charges:
        """Exchanges are many: they are read only for the figures that need them."""
        charged = reading.charged_units(self.span.since, self.span.until, self.span.superseded)
        place = {unit_id: at for at, unit_id in enumerate(self.unit_ids)}
        # A unit that was never installed has no place: what is said of it is a finding of the fold.
        known = np.array([place.get(unit_id, len(place)) for unit_id in charged.unit_ids], np.int64)
        return charges_of(
            charged,
            known[charged.unit],
            self.walked.tenures,
            self.walked.hung,
            local_days=self.local_days,
            since_s=int(self.span.since.timestamp()),
            now_s=int(self.now.timestamp()),
        )

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
        return np.pad(np.cumsum(self.is_open, axis=1, dtype=np.int32), ((0, 0), (1, 0)))

    def open_until(self, site: Ints, day: Floats) -> Floats:
        """The open days of sites (N,) before moments (N, ...) of days, parts of a day counted as parts."""
        at = np.clip(day - self.first_day, 0.0, float(self.is_open.shape[1]))
        whole = np.minimum(at.astype(np.int64), self.is_open.shape[1] - 1)
        row = site.reshape((-1,) + (1,) * (at.ndim - 1))
        return self.open_before[row, whole] + (at - whole) * self.is_open[row, whole]

    def due_days(self, site: int) -> list[due.DueDay]:
        row = self.sites[site]
        return due_days_of(row.agreed, row.standstills, self.window.last_on + AHEAD)


def ground_of(window: Window) -> Ground:
    """All that the figures of a window's months are made of, read once."""
    now = clock.now()
    since = datetime.combine(window.months[0] - LOOK_BACK, time.min, UTC)
    span = Span(since, now + AHEAD_TOLERANCE, reading.superseded_ids())
    events = reading.rare_events(span.since, span.until, span.superseded)
    unit_ids = sorted({one.subject_id for one in events if one.subject_kind == "unit"})
    place = {unit_id: at for at, unit_id in enumerate(unit_ids)}
    sites = _sites()
    days = _days(sites, window, events, now)
    liquids = _liquids(unit_ids)
    site_of = {site.id: at for at, site in enumerate(sites)}
    walked = walk(
        _by_unit(events, place),
        Map(
            {
                str(one): site_of[site]
                for one, site in fleet.site_of_each_station().items()
                if site in site_of
            },
            [days[site.agreed.zone] for site in sites],
            [(site.agreed.kind, hardness_class(site.agreed.hardness_mg_per_l)) for site in sites],
            [liquid.family for liquid in liquids],
        ),
    )
    local_days = _LocalDays(days, [site.agreed.zone for site in sites])
    return Ground(window, now, unit_ids, liquids, sites, walked, events, local_days, span)


def _by_unit(events: Sequence[Said], place: dict[UUID, int]) -> list[tuple[int, list[Said]]]:
    of_units = (one for one in events if one.subject_kind == "unit")
    found = [(place[unit_id], list(own)) for unit_id, own in groupby(of_units, attrgetter("subject_id"))]
    return sorted(found, key=itemgetter(0))


def _days(sites: Sequence[SiteRow], window: Window, events: Sequence[Said], now: datetime) -> dict[str, Days]:
    first_us = min((one.at_us for one in events), default=int(now.timestamp()) * 1_000_000)
    earliest = datetime.fromtimestamp(first_us // 1_000_000, UTC).date()
    first_on = min(window.months[0] - LOOK_BACK, earliest) - timedelta(days=2)
    last_on = clock.local_date(now, "UTC") + timedelta(days=3)
    return {zone: Days(zone, first_on, last_on) for zone in {site.agreed.zone for site in sites}}


class _LocalDays:
    """Days and their parts for instants at sites, zone by zone."""

    def __init__(self, days: dict[str, Days], zones: Sequence[str]) -> None:
        self.days = list(days.values())
        number = {zone: at for at, zone in enumerate(days)}
        self.zone = np.array([number[zone] for zone in zones], np.int64)

    def __call__(self, site: Ints, at_s: Ints) -> tuple[Ints, Floats]:
        day, part = np.zeros(len(site), np.int64), np.zeros(len(site))
        zone = self.zone[site]
        for at, days in enumerate(self.days):
            here = zone == at
            day[here], part[here] = days.of_many(at_s[here])
        return day, part


def _sites() -> list[SiteRow]:
    rows = list(accounts.sites().values_list("id", "code", "name", "crew_id"))
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
