"""What came in and went wrong in each month: reports, faults, and visits at which nobody was let in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from typing import NamedTuple
from uuid import UUID

import numpy as np
from django.db.models import Count, F, Sum
from django.db.models.functions import TruncMonth

from accounts import clock
from accounts import queries as accounts
from servicing.models import Visit
from servicing.queries.months.ground import Ground
from servicing.queries.months.reading import Said
from servicing.rules.months import (
    CREW_MINUTES,
    DAY_US,
    ENDS,
    ENDS_ALL,
    REPEAT_DAYS,
    Tenure,
    came_back,
    fault_spells,
    weekdays,
)

NOT_ADMITTED, CALLED_OFF = "not_admitted", "called_off"


class Reported(NamedTuple):
    """A report with its unit and site (None: not about one, or not known), its days in the site's zone, and how many days
    it was open (None: it still is).
    """

    kind: str
    unit: int | None
    site: int | None
    day: int
    closed_day: int | None
    open_days: float | None


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
    """Where a unit hung at an instant, and the days of instants there."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self.unit_of = {unit_id: at for at, unit_id in enumerate(ground.unit_ids)}
        self.site_of = {site.id: at for at, site in enumerate(ground.sites)}
        self.own_zone = accounts.get_operator().zone
        self._tenures: dict[int, list[Tenure]] = {}
        for one in ground.tenures:
            self._tenures.setdefault(one.unit, []).append(one)

    def at(self, unit: int | None, at_us: int) -> int | None:
        """The site where a unit hung at an instant, else where it hung last before, else first after."""
        tenures = self._tenures.get(-1 if unit is None else unit)
        if not tenures:
            return None
        before = [one for one in tenures if one.since_s <= at_us // 1_000_000]
        return before[-1].site if before else tenures[0].site

    def day(self, site: int | None, at_us: int) -> int:
        """The day of an instant in a site's zone, or the operator's own."""
        zone = self.own_zone if site is None else self.ground.sites[site].agreed.zone
        return clock.local_date(datetime.fromtimestamp(at_us / 1_000_000, UTC), zone).toordinal()


def reports_of(ground: Ground, places: Places) -> list[Reported]:
    """The reports, in the order they came in."""
    received = sorted(
        (one for one in ground.events if one.type == "report.received"),
        key=lambda one: (one.at_us, one.event_id),
    )
    closed: dict[str, int] = {}
    for one in ground.events:
        if one.type == "report.closed" and one.ref is not None:
            closed[one.ref] = min(one.at_us, closed.get(one.ref, one.at_us))
    return [_report(one, closed.get(str(one.event_id)), places) for one in received]


def _report(said: Said, closed_us: int | None, places: Places) -> Reported:
    unit, site = places.unit_of.get(said.subject_id), places.site_of.get(said.subject_id)
    site = places.at(unit, said.at_us) if site is None else site
    day = places.day(site, said.at_us)
    if closed_us is None:
        return Reported(said.word, unit, site, day, None, None)
    # A clock that ran behind closes a report no sooner than it came in.
    closed_us = max(closed_us, said.at_us)
    open_days = (closed_us - said.at_us) / DAY_US
    return Reported(said.word, unit, site, day, places.day(site, closed_us), open_days)


def faults_of(ground: Ground, places: Places) -> list[Faulty]:
    """The faults, unit by unit."""
    by_unit: dict[UUID, list[Said]] = {}
    faulty = {one.subject_id for one in ground.events if one.type == "fault.found"}
    for one in ground.events:
        if one.subject_id in faulty:
            by_unit.setdefault(one.subject_id, []).append(one)
    # Only a unit that gave nothing is put right by an exchange.
    dry = {one.subject_id for one in ground.events if one.type == "fault.found" and one.word == "NOO"}
    exchanges = _exchanges_of(
        ground, {places.unit_of[unit_id] for unit_id in dry if unit_id in places.unit_of}
    )
    return [
        fault
        for unit_id, own in by_unit.items()
        if unit_id in places.unit_of
        for fault in _faults_of_unit(places, unit_id, _lines(own, exchanges.get(places.unit_of[unit_id], [])))
    ]


def _exchanges_of(ground: Ground, units: set[int]) -> dict[int, list[int]]:
    """When these units were exchanged, in seconds."""
    found: dict[int, list[int]] = {}
    if units:
        intervals = ground.charges.intervals
        here = np.isin(intervals.unit, list(units))
        for unit, at_s in zip(intervals.unit[here].tolist(), intervals.ended_s[here].tolist(), strict=True):
            found.setdefault(unit, []).append(at_s)
    return found


def _lines(events: Sequence[Said], exchanges: Sequence[int]) -> list[tuple[int, str, str, str]]:
    """What opens and ends faults, in the order it happened."""
    telling = {"fault.found", "fault.closed", *ENDS, *ENDS_ALL}
    lines = [
        (one.at_us, one.type, one.word, str(one.event_id))
        for one in events
        if one.type in telling and not (one.type == "outlet.cleared" and one.word == "false")
    ]
    lines += [(at_s * 1_000_000, "cartridge.exchanged", "", "") for at_s in exchanges]
    return sorted(lines, key=lambda line: line[0])


def _faults_of_unit(
    places: Places, unit_id: UUID, lines: Sequence[tuple[int, str, str, str]]
) -> Iterator[Faulty]:
    unit = places.unit_of[unit_id]
    spells = fault_spells(lines)
    now_us = int(places.ground.now.timestamp()) * 1_000_000
    for spell, again in zip(spells, came_back(spells), strict=True):
        site, closed_us = places.at(unit, spell.found_us), spell.closed_us
        yield Faulty(
            unit,
            site,
            spell.mode,
            places.day(site, spell.found_us),
            None if closed_us is None else places.day(site, closed_us),
            again,
            is_judged=again or (closed_us is not None and closed_us + REPEAT_DAYS * DAY_US <= now_us),
        )


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
