"""What came in and went wrong in each month: reports, faults, and visits at which nobody was let in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple
from uuid import UUID

from django.db.models import Count, F, Sum
from django.db.models.functions import TruncMonth

from accounts import clock
from accounts import queries as accounts
from servicing.models import Visit
from servicing.queries.months import reading
from servicing.queries.months.ground import Ground
from servicing.queries.months.reading import ReportLine
from servicing.rules.months import CREW_MINUTES, DAY_US, REPEAT_DAYS, came_back, fault_spells, weekdays

NOT_ADMITTED, CALLED_OFF = "not_admitted", "called_off"


class Reported(NamedTuple):
    """A report with its unit and site (None: not about one, or not known), and its days in the site's zone."""

    line: ReportLine
    unit: int | None
    site: int | None
    day: int
    closed_day: int | None

    @property
    def open_days(self) -> float:
        """Days from the report until it was closed."""
        assert self.line.closed_at is not None
        return (self.line.closed_at - self.line.received_at) / timedelta(days=1)


class Faulty(NamedTuple):
    """A fault of a unit at a site; ``came_back``: the same was found again within fourteen days after it was closed.

    ``is_judged``: those fourteen days have gone by, or it came back before.
    """

    unit: int
    site: int | None
    mode: str
    day: int
    closed_day: int | None
    came_back: bool
    is_judged: bool


class Places:
    """Where a unit hung on a day."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self.unit_of = {unit_id: at for at, unit_id in enumerate(ground.unit_ids)}
        self.site_of = {site.id: at for at, site in enumerate(ground.sites)}
        self.own_zone = accounts.get_operator().zone

    def at(self, unit: int | None, instant: datetime) -> int | None:
        """The site where a unit hung at an instant, else where it hung last before, else first after."""
        if unit is None or not (tenures := self.ground.walked[unit].tenures):
            return None
        rough = clock.local_date(instant, "UTC").toordinal()
        before = [one for one in tenures if one.since <= rough + 1]
        return before[-1].site if before else tenures[0].site

    def day(self, site: int | None, instant: datetime) -> int:
        """The day of an instant in a site's zone, or the operator's own."""
        zone = self.own_zone if site is None else self.ground.sites[site].agreed.zone
        return clock.local_date(instant, zone).toordinal()


def reports_of(ground: Ground, places: Places) -> list[Reported]:
    """The reports that came in or were closed in the window, in the order they came in."""
    found = []
    until = ground.now + timedelta(days=1)
    for line in reading.report_lines(_since(ground), until, ground.superseded):
        unit = places.unit_of.get(line.subject_id)
        site = places.site_of.get(line.subject_id)
        site = places.at(unit, line.received_at) if site is None else site
        closed = None if line.closed_at is None else places.day(site, line.closed_at)
        found.append(Reported(line, unit, site, places.day(site, line.received_at), closed))
    return found


def faults_of(ground: Ground, places: Places) -> list[Faulty]:
    """The faults found or closed in the window, unit by unit."""
    lines = reading.fault_lines(_since(ground), ground.now + timedelta(days=1), ground.superseded)
    return [
        one
        for unit_id, own in groupby(lines, attrgetter("unit_id"))
        for one in _faults_of_unit(ground, places, unit_id, own)
    ]


def _faults_of_unit(
    ground: Ground, places: Places, unit_id: UUID, lines: Iterator[reading.FaultLine]
) -> Iterator[Faulty]:
    unit = places.unit_of.get(unit_id)
    if unit is None:
        return
    spells = fault_spells((one.at_us, one.type, one.mode, one.event_id) for one in lines)
    now_us = int(ground.now.timestamp()) * 1_000_000
    for spell, again in zip(spells, came_back(spells), strict=True):
        found = datetime.fromtimestamp(spell.found_us / 1_000_000, UTC)
        site = places.at(unit, found)
        closed_us = spell.closed_us
        closed = None if closed_us is None else datetime.fromtimestamp(closed_us / 1_000_000, UTC)
        yield Faulty(
            unit,
            site,
            spell.mode,
            places.day(site, found),
            None if closed is None else places.day(site, closed),
            again,
            is_judged=again or (closed_us is not None and closed_us + REPEAT_DAYS * DAY_US <= now_us),
        )


def _since(ground: Ground) -> datetime:
    return datetime.combine(ground.window.months[0] - timedelta(days=2), time.min, UTC)


class Visits(NamedTuple):
    """By month of the window: attempts (visits not called off), of them not admitted; minutes on site, and available ones."""

    attempts: list[int]
    not_admitted: list[int]
    minutes: list[int]
    available: list[int]


def visits_of(ground: Ground) -> Visits:
    """A crew's minutes count as available on all weekdays of a month in which it made a visit."""
    window = ground.window
    place = {month: at for at, month in enumerate(window.months)}
    attempts, refused, minutes, available = ([0] * len(place) for _ in range(4))
    rows = (
        Visit.objects.filter(day__gte=window.months[0], day__lte=window.last_on)
        .exclude(outcome=CALLED_OFF)
        .order_by()
        .values("outcome", "crew_id", month=TruncMonth("day"))
        .annotate(visits=Count("id"), spent=Sum("minutes"))
        .values_list("month", "outcome", "crew_id", "visits", "spent")
    )
    crews: dict[date, set[UUID]] = {}
    for month, outcome, crew_id, visits, spent in rows:
        at = place[month]
        attempts[at] += visits
        refused[at] += visits if outcome == NOT_ADMITTED else 0
        if crew_id is not None:
            minutes[at] += spent or 0
            crews.setdefault(month, set()).add(crew_id)
    for month, at in place.items():
        available[at] = CREW_MINUTES * weekdays(month, window.last_on) * len(crews.get(month, ()))
    return Visits(attempts, refused, minutes, available)


class VisitRow(NamedTuple):
    id: UUID
    site_id: UUID
    crew_id: UUID | None
    day: date
    outcome: str
    reason: str
    minutes: int | None
    units: int


def visit_rows(since: date, until: date) -> list[VisitRow]:
    """The visits of these days, both included, that were not called off."""
    rows = (
        Visit.objects.filter(day__gte=since, day__lte=until).exclude(outcome=CALLED_OFF).order_by("day", "id")
    )
    columns = rows.values_list(
        "id", F("site_id"), F("crew_id"), "day", "outcome", "reason", "minutes", "units"
    )
    return [VisitRow._make(row) for row in columns]
