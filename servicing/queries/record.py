"""The service record: what a customer may read of a site or of one of its restrooms, and nothing of any other.

Units go by the place where they hung when they were worked on; a unit that hung elsewhere then is left out, whatever a
visit says. What was undone is left out too, and what was corrected is there as it was corrected.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from accounts import clock
from accounts import queries as accounts
from accounts.errors import NotFound
from fleet import queries as fleet
from fleet.queries import SheetFacts, StationPlace
from servicing import log
from servicing.events.types import EventType, Payload
from servicing.models import Announcement, Report, UnitState, Visit
from servicing.queries import photos
from servicing.queries.folds import fold_event
from servicing.queries.links import no_link
from servicing.rules.fold import FoldEvent, effective

MOST_MONTHS = 36
# Of one site and month; more photos than that are not looked at one by one.
MOST_PHOTOS = 2_000
_PLACING = {EventType.UNIT_INSTALLED, EventType.UNIT_MOVED, EventType.UNIT_OPENED}


@dataclass(frozen=True, slots=True)
class UnitWork:
    """What was done at one place during a visit, in its order; ``at`` is when it began."""

    place: StationPlace
    at: datetime
    events: list[tuple[EventType, Payload]]
    photo_ids: list[UUID]


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One visit with its outcome, the work by place, and the photos that show the place itself."""

    visit_id: UUID
    day: date
    at: datetime
    outcome: str
    reason: str
    work: list[UnitWork]
    photo_ids: list[UUID]


@dataclass(frozen=True, slots=True)
class ReportLine:
    """A report that is still open; ``place`` where it says so."""

    event_id: UUID
    kind: str
    received_at: datetime
    place: StationPlace | None


@dataclass(frozen=True, slots=True)
class LiquidLine:
    """A liquid that drips there, its caution in the operator's words, and its safety data sheets, the newest first."""

    name: str
    caution: str
    sheets: list[SheetFacts]


@dataclass(frozen=True, slots=True)
class HangingUnit:
    unit_id: UUID
    place: StationPlace
    cartridge_id: UUID | None


@dataclass(frozen=True, slots=True)
class SiteLine:
    """A site in the list of a customer's; ``served_on`` is the day of the last visit on which work was done."""

    site_id: UUID
    name: str
    address: str
    served_on: date | None
    open_reports: int


def site_lines(site_ids: Collection[UUID]) -> dict[UUID, SiteLine]:
    """Each of these sites, for a list."""
    served = dict(
        Visit.objects.filter(site_id__in=site_ids, outcome__in=("served", "part_served"))
        .order_by("site_id", "-day")
        .distinct("site_id")
        .values_list("site_id", "day")
    )
    open_reports: dict[UUID, int] = {}
    for site_id in Report.objects.filter(site_id__in=site_ids).values_list("site_id", flat=True):
        open_reports[site_id] = open_reports.get(site_id, 0) + 1
    return {
        site.id: SiteLine(site.id, site.name, site.address, served.get(site.id), open_reports.get(site.id, 0))
        for site in accounts.sites_in(site_ids).values()
    }


def months_of(site_id: UUID) -> list[date]:
    """The months in which there was a visit, by their first days, the latest first."""
    days = Visit.objects.filter(site_id=site_id).dates("day", "month", order="DESC")
    return list(days[:MOST_MONTHS])


def last_visit(site_id: UUID, restroom_id: UUID | None = None) -> VisitRecord | None:
    """The last visit on which work was done, with that work; of one restroom, on which it was done there."""
    made = Visit.objects.filter(site_id=site_id, outcome__in=("served", "part_served"))
    # A crew may have been at a site without having been in every room.
    for visit in made.order_by("-day", "-occurred_at", "id")[: 12 if restroom_id else 1]:
        found = _records([visit], site_id, restroom_id)
        if found and (restroom_id is None or found[0].work):
            return found[0]
    return None


def visits_between(
    site_id: UUID, since: date, until: date, restroom_id: UUID | None = None
) -> list[VisitRecord]:
    """The visits of the days since <= day < until, the latest first; of one restroom, those with work done there."""
    rows = Visit.objects.filter(site_id=site_id, day__gte=since, day__lt=until)
    found = _records(list(rows.order_by("-day", "-occurred_at", "id")), site_id, restroom_id)
    return [one for one in found if restroom_id is None or one.work]


def _records(
    visits: list[Visit],
    site_id: UUID,
    restroom_id: UUID | None,
    unit_ids: Collection[UUID] | None = None,
) -> list[VisitRecord]:
    """What was done on these visits; of these units alone, if any are named, whose events alone are then read."""
    visit_ids = {visit.id for visit in visits}
    touched = {row.subject_id for row in log.events_of_visits(visit_ids) if row.subject_kind == "unit"}
    touched = touched if unit_ids is None else touched & set(unit_ids)
    rows = log.events_of(touched) if touched else []
    visit_of = {row.event_id: row.visit_id for row in rows}
    standing = effective([fold_event(row) for row in rows])
    places = _Places(standing)
    work: dict[UUID, dict[UUID, list[FoldEvent]]] = {visit.id: {} for visit in visits}
    for event in standing:
        if event.type is EventType.EVENT_COUNTERED:
            continue
        # What replaces an entry belongs to its visit, also when it does not say so.
        visit_id = event.visit_id or (visit_of.get(event.corrects) if event.corrects else None)
        place = places.of(event)
        is_here = place is not None and place.site_id == site_id
        if visit_id in work and is_here and (restroom_id is None or place.restroom_id == restroom_id):  # type: ignore[union-attr]
            work[visit_id].setdefault(event.subject_id, []).append(event)
    shown = _shown(site_id, visit_ids)
    return [
        VisitRecord(
            visit.id,
            visit.day,
            visit.occurred_at,
            visit.outcome,
            visit.reason,
            _of_visit(work[visit.id], places, shown.get(visit.id, {})),
            shown.get(visit.id, {}).get(None, []) if restroom_id is None else [],
        )
        for visit in visits
    ]


def _of_visit(
    by_unit: dict[UUID, list[FoldEvent]], places: _Places, shown: dict[UUID | None, list[UUID]]
) -> list[UnitWork]:
    work = []
    for unit_id, events in by_unit.items():
        place = places.of(events[-1])
        assert place is not None, "events without a place were left out"
        done = [(event.type, event.payload) for event in events]
        work.append(UnitWork(place, events[0].occurred_at, done, shown.get(unit_id, [])))
    return sorted(work, key=lambda one: (one.place.restroom, one.place.station, one.at))


class _Places:
    """Where units hung, at the time of each of their events."""

    def __init__(self, standing: Collection[FoldEvent]) -> None:
        self._hung: dict[UUID, list[tuple[Any, UUID]]] = {}
        for event in standing:
            if event.type in _PLACING:
                self._hung.setdefault(event.subject_id, []).append((event.key, event.payload.station_id))  # type: ignore[attr-defined]
        stations = {station_id for spans in self._hung.values() for _, station_id in spans}
        self._stations = fleet.stations(stations) if stations else {}

    def of(self, event: FoldEvent) -> StationPlace | None:
        """The place a unit had with this event; None before it was installed."""
        before = [at for key, at in self._hung.get(event.subject_id, ()) if key <= event.key]
        return self._stations.get(before[-1]) if before else None


def _shown(site_id: UUID, visit_ids: set[UUID]) -> dict[UUID, dict[UUID | None, list[UUID]]]:
    """The photos of these visits, each by the unit it shows, or None for the place itself."""
    found: dict[UUID, dict[UUID | None, list[UUID]]] = {}
    for photo in reversed(photos.photos_of_site(site_id, visit_ids=visit_ids, most=MOST_PHOTOS)):
        if photo.visit_id is not None:
            found.setdefault(photo.visit_id, {}).setdefault(photo.unit_id, []).append(photo.id)
    return found


def photo_of(photo_id: UUID, site_ids: Collection[UUID], restroom_id: UUID | None = None) -> bytes:
    """The JPEG of a photo that the record of these sites shows; NotFound for every other."""
    photo = photos.get_photo(photo_id)
    visit = Visit.objects.filter(id=photo.visit_id, site_id__in=site_ids).first() if photo.visit_id else None
    if visit is None:
        raise NotFound(no_link())
    # A page of many photos asks for each alone, so no more is read than the one unit that it shows.
    record = _records([visit], visit.site_id, restroom_id, [photo.unit_id] if photo.unit_id else [])[0]
    shown = {*record.photo_ids, *(one for work in record.work for one in work.photo_ids)}
    if photo_id not in shown:
        raise NotFound(no_link())
    return photos.photo_content(photo_id)


def hanging(site_id: UUID, restroom_id: UUID | None = None) -> list[HangingUnit]:
    """The units that hang at a site, or in one of its restrooms, by place."""
    rows = list(
        UnitState.objects.filter(site_id=site_id, station_id__isnull=False).values_list(
            "unit_id", "station_id", "history__cartridge_id"
        )
    )
    places = fleet.stations({station_id for _, station_id, _ in rows}) if rows else {}
    found = [
        HangingUnit(unit_id, places[station_id], UUID(cartridge_id) if cartridge_id else None)
        for unit_id, station_id, cartridge_id in rows
        if station_id in places and restroom_id in {None, places[station_id].restroom_id}
    ]
    return sorted(found, key=lambda unit: (unit.place.restroom, unit.place.station))


def liquids_of(units: Collection[HangingUnit]) -> list[LiquidLine]:
    """What drips from these units, by name."""
    cartridge_ids = {unit.cartridge_id for unit in units if unit.cartridge_id}
    liquids = {one.liquid_id: one.liquid for one in fleet.cartridges().filter(id__in=cartridge_ids)}
    sheets: dict[UUID, list[SheetFacts]] = {}
    for sheet in fleet.safety_sheets(liquids.keys()) if liquids else ():
        of_liquid = sheets.setdefault(sheet.liquid_id, [])
        # The newest of each language rules; older ones stay in the operator's library.
        if sheet.language not in {one.language for one in of_liquid}:
            of_liquid.append(sheet)
    return sorted(
        (LiquidLine(one.name, one.caution, sheets.get(one.id, [])) for one in liquids.values()),
        key=lambda line: line.name.casefold(),
    )


def sheet_of(sheet_id: UUID, units: Collection[HangingUnit]) -> bytes:
    """The PDF of a safety data sheet that these units' record shows; NotFound for every other."""
    if not any(sheet.id == sheet_id for line in liquids_of(units) for sheet in line.sheets):
        raise NotFound(no_link())
    return fleet.safety_sheet_content(sheet_id)


def open_reports(
    site_id: UUID, restroom_id: UUID | None = None, link_id: UUID | None = None
) -> list[ReportLine]:
    """The reports of a site that are open, the oldest first; of one restroom, those of its units and by its own link."""
    rows = list(Report.objects.filter(site_id=site_id).order_by("received_at", "event_id"))
    unit_places = {unit.unit_id: unit.place for unit in hanging(site_id)}
    by_link: set[UUID] = set()
    if restroom_id is not None:
        sent = log.events_by_id([row.event_id for row in rows])
        by_link = {row.event_id for row in sent if row.actor_kind == "client" and row.actor_id == link_id}
    lines = [
        ReportLine(row.event_id, row.kind, row.received_at, unit_places.get(row.unit_id)) for row in rows
    ]
    return [
        line
        for line in lines
        if restroom_id is None
        or line.event_id in by_link
        or (line.place is not None and line.place.restroom_id == restroom_id)
    ]


def report_by_link(event_id: UUID, link_id: UUID) -> tuple[str, datetime] | None:
    """Kind and time of a report that was made by a link; None when there is none by it."""
    for row in log.events_by_id([event_id]):
        if row.type == EventType.REPORT_RECEIVED and row.actor_kind == "client" and row.actor_id == link_id:
            return str(row.payload["kind"]), row.received_at
    return None


# Visits told by mail


def announcements_of(site_id: UUID, *, days: int = 60) -> list[Announcement]:
    """What a site was told, or is to be told, of visits of these past days and of days to come, the latest day first."""
    since = date.fromordinal(clock.now().date().toordinal() - days)
    return list(
        with_visits().filter(planned_visit__site_id=site_id, day__gte=since).order_by("-day", "email")
    )


def with_visits() -> QuerySet[Announcement]:
    """Announcements with the visit that each is of, its site and whom it is told to."""
    return Announcement.objects.select_related("planned_visit__site", "contact")
