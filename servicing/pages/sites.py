"""Sites: the list, and one site with its rooms, units, visits, pauses and agreement."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.commands import office
from servicing.commands.personal import MOST_SAID, MOST_WHO
from servicing.events.types import REPORT_KINDS
from servicing.pages.wording import BOWL_PRODUCTS, NOT_ADMITTED, OUTCOMES, Names, sentence, told, why
from servicing.queries import fleet_state, personal, placement
from servicing.queries.fleet_state import UnitView
from servicing.queries.lookout import site_lines
from servicing.rules.harm import LEAK_MODE, SAFETY_REPORTS, SiteHarm, UnitSigns, weigh
from servicing.rules.unit import DOWN_MODES

if TYPE_CHECKING:
    from accounts.models import Site
    from servicing.models import Report

MOST_VISITS = 24


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
    needing = sum(line.harm.needs_someone for line in lines)
    return render(
        request,
        "servicing/sites.html",
        {"lines": found, "name": typed, "total": len(lines), "needing": needing},
    )


@dataclass(frozen=True, slots=True)
class VisitLine:
    day: date
    outcome: str
    reason: str
    crew: str
    units: int
    minutes: int | None


@operator_page(Permission.SITES_READ)
def site(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = site_by_code(code)
        views = fleet_state.units_of_site(found.id)
        crews = {crew.id: crew.name for crew in accounts.crews()}
        visits = [
            VisitLine(
                visit.day,
                OUTCOMES[visit.outcome],
                NOT_ADMITTED.get(visit.reason, visit.reason),
                crews.get(visit.crew_id, "") if visit.crew_id else "",
                visit.units,
                visit.minutes,
            )
            for visit in fleet_state.visits().filter(site_id=found.id)[:MOST_VISITS]
        ]
        alerts = list(fleet_state.open_alerts().filter(site_id=found.id))
        reports = list(fleet_state.reports().filter(site_id=found.id).select_related("unit"))
        may_read_texts = request.actor.may(Permission.TEXTS_READ)
        texts = personal.texts_of_reports([r.event_id for r in reports]) if may_read_texts else {}
        page = {
            "site": found,
            "customer": accounts.get_customer(found.customer_id),
            "crew": crews.get(found.crew_id, "") if found.crew_id else "",
            "agreements": accounts.agreements_of([found.id])[found.id],
            "standstills": list(fleet_state.standstills_of(found.id)),
            **_notes(found.id, views),
        }
    today = clock.today(found.zone)
    unnoted = [alert for alert in alerts if alert.acknowledged_at is None]
    page |= {
        "rooms": [(room, list(group)) for room, group in groupby(views, key=lambda view: view.restroom)],
        "unit_count": len(views),
        "visits": visits,
        "why": why(_harm(found.zone, views, reports, visits), visits[0].day if visits else None),
        "reports": [(report, told(texts.get(report.event_id), found.zone)) for report in reports],
        "most_who": MOST_WHO,
        "most_said": MOST_SAID,
        "new_report": uuid7(),
        "report_kinds": REPORT_KINDS,
        "alerts": alerts,
        "unnoted": unnoted,
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
        "may_record": request.actor.may(Permission.EVENTS_RECORD),
        "may_read_customers": request.actor.may(Permission.CUSTOMERS_READ),
        "today": today,
    }
    return render(request, "servicing/site.html", page)


def _notes(site_id: UUID, views: list[UnitView]) -> dict[str, Any]:
    """What crews noted of the place, in sentences, and where nothing may hang, with whatever hangs there all the same."""
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
        (names.stations.get(one.station_id, "a station"), one, hanging.get(one.station_id))
        for one in placement.blocked_stations(noted)
    ]
    return {
        "notes": [
            (event.occurred_at, sentence(event.type, event.payload, names)) for event in noted[:MOST_VISITS]
        ],
        "blocked": [(where, BOWL_PRODUCTS[one.bowl_product], view) for where, one, view in blocked],
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
        raise NotFound("There is no site here with this code. Look for it by its name in the list of sites.")
    return found


def _harm(zone: str, views: list[UnitView], reports: list[Report], visits: list[VisitLine]) -> SiteHarm:
    safety = sum(report.kind in SAFETY_REPORTS for report in reports)
    return weigh(
        [_signs(view, zone) for view in views],
        clock.today(zone),
        safety_reports=safety,
        other_reports=len(reports) - safety,
        not_admitted=bool(visits) and visits[0].outcome == OUTCOMES["not_admitted"],
    )


def _signs(view: UnitView, zone: str) -> UnitSigns:
    faults = view.history.open_faults
    down = [at for mode, at in faults.items() if mode in DOWN_MODES]
    outlook = view.outlook
    return UnitSigns(
        segment=view.segment,
        dry_on=outlook.dry_on if outlook else None,
        dry_soon_from=outlook.dry_soon_from if outlook else None,
        wick_watch_from=outlook.wick_watch_from if outlook else None,
        drift_since_on=outlook.drift_since_on if outlook else None,
        down_since=clock.local_date(datetime.fromisoformat(min(down)), zone) if down else None,
        leaks=LEAK_MODE in faults,
    )
