"""What is so and what is due: unit states, visits, findings, alerts, and the lookout."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import F, QuerySet

from accounts import clock
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.languages import _
from fleet import queries as fleet
from servicing.models import Alert, DueSegment, Finding, Outlook, Report, Standstill, UnitState, Visit
from servicing.rules.due import Band, band_on, segment_on
from servicing.rules.due import DueSegment as Segment
from servicing.rules.unit import UnitHistory


@dataclass(frozen=True, slots=True)
class UnitView:
    """One unit as of a date: its state, its open due day and band, when it runs dry and when its wick is watched."""

    unit_id: UUID
    code: str
    site_id: UUID | None
    status: str
    history: UnitHistory
    band: Band
    segment: Segment | None
    outlook: Outlook | None
    restroom: str
    station: str
    fixture: str

    @property
    def is_idle(self) -> bool:
        return self.band is Band.STANDSTILL


def unit_states() -> QuerySet[UnitState]:
    return UnitState.objects.select_related("unit").order_by("unit_id")


def unit_views(unit_ids: Collection[UUID], today: date | None = None) -> dict[UUID, UnitView]:
    """Units as of their site's local date (or ``today``); a unit without events is printed only."""
    states = {state.unit_id: state for state in UnitState.objects.filter(unit_id__in=unit_ids)}
    histories = {unit_id: UnitHistory.from_json(state.history) for unit_id, state in states.items()}
    segments: dict[UUID, list[DueSegment]] = {}
    for row in DueSegment.objects.filter(unit_id__in=unit_ids).order_by("starts_on"):
        segments.setdefault(row.unit_id, []).append(row)
    outlooks = {outlook.unit_id: outlook for outlook in Outlook.objects.filter(unit_id__in=unit_ids)}
    places = fleet.stations([state.station_id for state in states.values() if state.station_id])
    codes = fleet.unit_codes(unit_ids)
    views: dict[UUID, UnitView] = {}
    for unit_id, code in codes.items():
        state, rows = states.get(unit_id), segments.get(unit_id, [])
        day = today or (clock.today(rows[0].zone) if rows else date.min)
        segment = segment_on([_segment(row) for row in rows], day)
        place = places.get(state.station_id) if state and state.station_id else None
        views[unit_id] = UnitView(
            unit_id=unit_id,
            code=code,
            site_id=state.site_id if state else None,
            status=state.status if state else "printed",
            history=histories.get(unit_id, UnitHistory()),
            band=band_on(segment, day),
            segment=segment,
            outlook=outlooks.get(unit_id),
            restroom=place.restroom if place else "",
            station=place.station if place else "",
            fixture=place.fixture if place else "",
        )
    return views


def get_unit_view(unit_id: UUID) -> UnitView:
    """One unit as of today; NotFound for one that is absent or another operator's."""
    fleet.get_unit(unit_id)
    return unit_views([unit_id])[unit_id]


def units_of_site(site_id: UUID) -> list[UnitView]:
    """The units that hang at a site, by restroom and station."""
    ids = list(UnitState.objects.filter(site_id=site_id).values_list("unit_id", flat=True))
    views = unit_views(ids).values()
    return sorted(views, key=lambda view: (view.restroom, view.station, view.code))


def _segment(row: DueSegment) -> Segment:
    return Segment(
        row.starts_on,
        row.ends_before,
        row.kind,  # type: ignore[arg-type]
        row.due_on,
        row.opens_on,
        row.past_grace_from,
        row.long_past_from,
        row.is_reopen,
    )


def visits() -> QuerySet[Visit]:
    return Visit.objects.order_by("-day", "-occurred_at", "id")


def get_visit(visit_id: Any) -> Visit:
    visit = Visit.objects.filter(id=visit_id).first()
    if visit is None:
        raise NotFound(_("There is no visit here with this id."))
    return visit


def findings() -> QuerySet[Finding]:
    return Finding.objects.order_by("-occurred_at", "event_id", "code")


def reports() -> QuerySet[Report]:
    return Report.objects.order_by("received_at", "event_id")


def standstills_of(site_id: UUID) -> QuerySet[Standstill]:
    return Standstill.objects.filter(site_id=site_id).order_by("-starts_on")


def standstills_from(day: date) -> QuerySet[Standstill]:
    """Those of all sites that last on a day or begin later, the next to end first."""
    rows = Standstill.objects.exclude(ends_on__lt=day)
    return rows.order_by(F("ends_on").asc(nulls_last=True), "starts_on", "event_id")


def open_alerts() -> QuerySet[Alert]:
    return Alert.objects.filter(closed_at=None).select_related("unit", "site").order_by("first_day", "id")


def alerts() -> QuerySet[Alert]:
    return Alert.objects.select_related("unit", "site").order_by("-first_day", "id")


def get_alert(alert_id: Any) -> Alert:
    alert = alerts().filter(id=alert_id).first()
    if alert is None:
        raise NotFound(_("There is no alert here with this id."))
    return alert


def due_segments_today() -> list[DueSegment]:
    """The segment that holds today for every unit that has one, each by its own zone's date."""
    found: list[DueSegment] = []
    for zone in accounts.site_zones():
        today = clock.today(zone)
        rows = DueSegment.objects.filter(zone=zone, starts_on__lte=today)
        found += [row for row in rows if row.ends_before is None or row.ends_before > today]
    return found
