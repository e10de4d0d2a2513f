"""Sites: the list, and one site with its rooms, units, visits, pauses and agreement."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.phrases import count, day
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing.commands import office
from servicing.commands.personal import MOST_SAID, MOST_WHO
from servicing.events.types import REPORT_KINDS
from servicing.pages.next_visit import next_said
from servicing.pages.wording import (
    ALERTS,
    BOWL_PRODUCTS,
    NOT_ADMITTED,
    OUTCOMES,
    Names,
    sentence,
    standstill_said,
    told,
    why,
    word,
)
from servicing.queries import entries, fleet_state, personal, placement
from servicing.queries.fleet_state import UnitView
from servicing.queries.lookout import site_lines
from servicing.queries.photos import photos_of_site
from servicing.queries.planning import next_visits, notes_of, planned_of
from servicing.queries.weighing import harms_on

if TYPE_CHECKING:
    from accounts.models import ServiceAgreement, Site

MOST_VISITS = 24
MOST_PHOTOS = 12
PAGE_SIZE = 100


@operator_page(Permission.SITES_READ)
def sites(request: OperatorRequest) -> HttpResponse:
    typed = request.GET.get("name", "").strip()
    with tenancy.reading(request.actor):
        lines = site_lines()
    wanted = typed.casefold()
    found = [
        line for line in lines if wanted in f"{line.name} {line.code} {line.area}".casefold() or not wanted
    ]
    found.sort(key=lambda line: (line.name.casefold(), line.code))
    part = Paginator(found, PAGE_SIZE).get_page(request.GET.get("page"))
    page = {
        "part": part,
        "found": len(found),
        "name": typed,
        "total": len(lines),
        "needing": sum(line.harm.needs_someone for line in lines),
    }
    return render(request, "servicing/sites.html", page)


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A past visit in words."""

    day: date
    outcome: str
    reason: str
    crew: str
    units: int
    minutes: int | None


@dataclass(frozen=True, slots=True)
class RoomLines:
    """A restroom with each of its stations and the unit that hangs there, or None."""

    name: str
    stations: list[tuple[StationPlace, UnitView | None]]


@operator_page(Permission.SITES_READ)
def site(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = site_by_code(code)
        today = clock.today(found.zone)
        views = fleet_state.units_of_site(found.id)
        page = {
            "site": found,
            "zone": found.zone,
            "today": today,
            "unit_count": len(views),
            "rooms": _rooms(found.id, views),
            **_standing(found, today),
            **_reports(request, found),
            **_agreed(found.id),
            **_noted(found.id, views),
        }
        unnoted = fleet_state.open_alerts().filter(site_id=found.id, acknowledged_at=None)
        page |= {
            "alert_count": fleet_state.open_alerts().filter(site_id=found.id).count(),
            "unnoted": [_(ALERTS[kind]) for kind in unnoted.order_by().values_list("kind", flat=True)],
            "customer": accounts.get_customer(found.customer_id),
            "contacts": list(accounts.contacts_of(found.id)),
            "photos": photos_of_site(found.id, most=MOST_PHOTOS),
            "may_enter": request.actor.may(Permission.ENTRIES_SHOW)
            and bool(entries.sites_to_enter(request.actor, [found.id])),
        }
    return render(request, "servicing/site.html", page | _may(request))


def _may(request: OperatorRequest) -> dict[str, Any]:
    asked = {
        "may_note": Permission.ALERTS_ACKNOWLEDGE,
        "may_record": Permission.EVENTS_RECORD,
        "may_plan": Permission.VISITS_PLAN,
        "may_manage": Permission.SITES_MANAGE,
        "may_keep_codes": Permission.ENTRIES_MANAGE,
        "may_share": Permission.RECORDS_SHARE,
        "may_erase": Permission.TEXTS_ERASE,
        "may_read_customers": Permission.CUSTOMERS_READ,
    }
    return {name: request.actor.may(permission) for name, permission in asked.items()}


def _standing(found: Site, today: date) -> dict[str, Any]:
    """What is wrong at the site, when somebody comes next, and who came before."""
    crews = {crew.id: crew.name for crew in accounts.crews()}
    rows = list(fleet_state.visits().filter(site_id=found.id)[:MOST_VISITS])
    harm = harms_on({found.id: today}, {found.id: found.zone})[found.id]
    return {
        "why": why(harm, rows[0].day if rows else None),
        "is_safety": harm.is_safety,
        "next": next_said(next_visits([found.id]).get(found.id), today),
        "plans": planned_of(found.id),
        "crew": crews.get(found.crew_id, "") if found.crew_id else "",
        "visits": [
            VisitLine(
                visit.day,
                _(OUTCOMES[visit.outcome]),
                _(NOT_ADMITTED[visit.reason]) if visit.reason in NOT_ADMITTED else word(visit.reason),
                crews.get(visit.crew_id, "") if visit.crew_id else "",
                visit.units,
                visit.minutes,
            )
            for visit in rows
        ],
    }


def _rooms(site_id: UUID, views: list[UnitView]) -> list[RoomLines]:
    """Every station of the site, also the empty ones."""
    hanging = {UUID(view.history.station_id): view for view in views if view.history.station_id}
    return [
        RoomLines(room.name, [(place, hanging.get(place.station_id)) for place in room.stations])
        for room in fleet.rooms_of_site(site_id)
    ]


def _reports(request: OperatorRequest, found: Site) -> dict[str, Any]:
    reports = list(fleet_state.reports().filter(site_id=found.id).select_related("unit"))
    may_read = request.actor.may(Permission.TEXTS_READ)
    texts = personal.texts_of_reports([report.event_id for report in reports]) if may_read else {}
    return {
        "reports": [(report, told(texts.get(report.event_id), found.zone)) for report in reports],
        "most_who": MOST_WHO,
        "most_said": MOST_SAID,
        "new_report": uuid7(),
        "report_kinds": [(kind, word(kind)) for kind in REPORT_KINDS],
    }


def _agreed(site_id: UUID) -> dict[str, Any]:
    return {
        "agreements": [_agreement(one) for one in accounts.agreements_of([site_id])[site_id]],
        "standstills": [
            (one, standstill_said(one.starts_on, one.ends_on, one.billing))
            for one in fleet_state.standstills_of(site_id)
        ],
    }


_EVERY = {
    (True, False): N_(
        "{number}: every month counted from {anchor}, with {before} of grace before and {after} after; from {first}."
    ),
    (True, True): N_(
        "{number}: every month counted from {anchor}, with {before} of grace before and {after} after; from {first}, "
        "no longer from {last} on."
    ),
    (False, False): N_(
        "{number}: every {months} counted from {anchor}, with {before} of grace before and {after} after; from {first}."
    ),
    (False, True): N_(
        "{number}: every {months} counted from {anchor}, with {before} of grace before and {after} after; from {first}, "
        "no longer from {last} on."
    ),
}


def _agreement(one: ServiceAgreement) -> str:
    return _(
        _EVERY[one.interval_months == 1, one.ends_on is not None],
        number=one.number,
        months=count(one.interval_months, "month"),
        anchor=day(one.anchor_on),
        before=count(one.grace_before_days, "day"),
        after=count(one.grace_after_days, "day"),
        first=day(one.starts_on),
        last=day(one.ends_on),
    )


def _noted(site_id: UUID, views: list[UnitView]) -> dict[str, Any]:
    """What the office and the crews noted of the place, and where nothing may hang, with what hangs there all the same."""
    noted = placement.site_notes(site_id)
    names = Names(
        stations={
            place.station_id: f"{place.restroom}, {place.station}"
            for place in fleet.stations_of_site(site_id)
        },
        cartridges={cartridge.id: cartridge.name for cartridge in fleet.cartridges()},
    )
    hanging = {UUID(view.history.station_id): view for view in views if view.history.station_id}
    blocked = [
        (names.stations.get(one.station_id) or _("a station"), one, hanging.get(one.station_id))
        for one in placement.blocked_stations(noted)
    ]
    return {
        "notes": notes_of([site_id]).get(site_id, []),
        "found_there": [
            (event.occurred_at, sentence(event.type, event.payload, names)) for event in noted[:MOST_VISITS]
        ],
        "blocked": [(where, _(BOWL_PRODUCTS[one.bowl_product]), view) for where, one, view in blocked],
    }


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "POST")
def take_note_of_all(request: OperatorRequest, code: str) -> HttpResponse:
    """Acknowledge every open alert of a site that nobody has taken note of."""
    with tenancy.reading(request.actor):
        found = site_by_code(code)
        alerts = fleet_state.open_alerts().filter(site_id=found.id, acknowledged_at=None)
        alert_ids = list(alerts.values_list("id", flat=True))
    office.acknowledge_alerts(actor=request.actor, alert_ids=alert_ids)
    return redirect("site", slug=request.operator.slug, code=code)


def site_by_code(code: str) -> Site:
    """A site by its code; NotFound for one that is absent or another operator's."""
    found: Site | None = accounts.sites().filter(code=code).first()
    if found is None:
        raise NotFound(
            _("There is no site here with this code. Look for it by its name in the list of sites.")
        )
    return found
