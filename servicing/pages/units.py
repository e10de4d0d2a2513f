"""Units: find one by its label, and all that is known of it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.ids import normalise_label_code
from accounts.pages import OperatorRequest, actor_for, operator_page
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.commands import office
from servicing.pages.expecting import expectations
from servicing.pages.looking_back import look_back, names_of
from servicing.pages.picture import depletion
from servicing.pages.wording import ALERTS, COUNTER_REASONS, FAULTS, FINDINGS, sentence, standing_of, told
from servicing.queries import events as log
from servicing.queries import fleet_state, personal
from servicing.queries.events import KnownEvent
from servicing.queries.fleet_state import UnitView
from servicing.queries.personal import KnownText
from servicing.rules.wick import wick_age_days

PAGE_SIZE = 50

# From event ids to where each one's charges stand; given by whoever puts the page at its address.
BilledOn = Callable[[Collection[UUID]], dict[UUID, list[Any]]]


@operator_page(Permission.UNITS_READ)
def units(request: OperatorRequest) -> HttpResponse:
    typed = request.GET.get("label", "")
    label = normalise_label_code(typed)
    with tenancy.reading(request.actor):
        found = fleet.units()
        pages = Paginator(found.filter(code__contains=label) if label else found, PAGE_SIZE)
        part = pages.get_page(request.GET.get("page"))
        ids = [unit.id for unit in part.object_list]
        views = fleet_state.unit_views(ids)
        sites = accounts.sites_in({view.site_id for view in views.values() if view.site_id})
        total = pages.count
    rows = [(views[unit_id], sites.get(views[unit_id].site_id)) for unit_id in ids]  # type: ignore[arg-type]
    if label and total == 1:
        return redirect("unit", slug=request.operator.slug, code=rows[0][0].code)
    page = {"rows": rows, "part": part, "label": typed, "total": total}
    return render(request, "servicing/units.html", page)


@dataclass(frozen=True, slots=True)
class TimelineEntry:
    event: KnownEvent
    says: str
    told: str
    is_late: bool
    superseded_by: KnownEvent | None
    billed: list[Any]
    may_undo: bool


@dataclass(frozen=True, slots=True)
class Moment:
    """What one visit did to the unit, or one entry outside a visit."""

    at: datetime
    who: str
    entries: list[TimelineEntry]


@operator_page(Permission.UNITS_READ)
def unit(request: OperatorRequest, code: str, billed_on: BilledOn) -> HttpResponse:
    if code != normalise_label_code(code):
        return redirect("unit", slug=request.operator.slug, code=normalise_label_code(code))
    with tenancy.reading(request.actor):
        page = _unit_page(request, code, billed_on)
    return render(request, "servicing/unit.html", page)


def _unit_page(request: OperatorRequest, code: str, billed_on: BilledOn) -> dict[str, Any]:
    made = fleet.unit_by_code(code)
    view = fleet_state.get_unit_view(made.id)
    site = accounts.get_site(view.site_id) if view.site_id else None
    zone = site.zone if site else request.operator.zone
    today = clock.today(zone)
    segment, outlook = view.segment, view.outlook
    alerts = list(fleet_state.open_alerts().filter(unit_id=made.id))
    return {
        "unit": made,
        "view": view,
        "site": site,
        "zone": zone,
        "standing": standing_of(
            view.status,
            view.band,
            segment.due_on if segment else None,
            outlook.dry_on if outlook else None,
            today,
        ),
        "wick_days": _wick_days(view, today),
        "expected": expectations(
            outlook if view.history.is_installed else None,
            segment,
            accounts.service_rules_on(today).dry_target,
            today,
            request.operator.currency,
        ),
        "faults": [
            (FAULTS[mode], datetime.fromisoformat(at)) for mode, at in view.history.open_faults.items()
        ],
        "reports": [(kind, datetime.fromisoformat(at)) for kind, at in view.history.reports.values()],
        "findings": [(FINDINGS[code], event_id) for code, event_id, _ in view.history.findings],
        "alerts": [(ALERTS[alert.kind], alert) for alert in alerts],
        "picture": depletion(view.history, outlook, segment, today, zone),
        "back": look_back(request, made.id, zone),
        "timeline": _timeline(request, made.id, zone, billed_on),
        "reasons": COUNTER_REASONS,
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
    }


def _wick_days(view: UnitView, today: date) -> int | None:
    since = view.outlook.wick_since_on if view.outlook else None
    return wick_age_days(since, today) if since else None


def _timeline(request: OperatorRequest, unit_id: UUID, zone: str, billed_on: BilledOn) -> list[Moment]:
    """The unit's events, the newest first, those of one visit by one person together."""
    events = log.unit_events(unit_id)
    members = {member.id: member.name for member in accounts.members()}
    devices = {device.id: device.label for device in accounts.devices()}
    billed = billed_on([e.event_id for e in events]) if request.actor.may(Permission.INVOICES_READ) else {}
    by_id = {event.event_id: event for event in events}
    names = names_of(events)
    texts = _texts(events) if request.actor.may(Permission.TEXTS_READ) else {}
    may_undo = request.actor.may(Permission.EVENTS_COUNTER)

    def occasion(event: KnownEvent) -> tuple[UUID, UUID | None, UUID]:
        return (event.visit_id or event.event_id, event.member_id, event.device_id)

    def entry(event: KnownEvent) -> TimelineEntry:
        return TimelineEntry(
            event=event,
            says=sentence(event.type, event.payload, names),
            told=told(texts.get(event.event_id), zone),
            is_late=clock.local_date(event.received_at, zone) > clock.local_date(event.occurred_at, zone),
            superseded_by=by_id.get(event.superseded_by) if event.superseded_by else None,
            billed=billed.get(event.event_id, []),
            may_undo=may_undo and event.standing != "superseded",
        )

    moments = []
    for (_, member_id, device_id), group in groupby(reversed(events), key=occasion):
        entries = [entry(event) for event in group]
        who = [members.get(member_id, "") if member_id else "", devices.get(device_id, "")]
        moments.append(Moment(entries[-1].event.occurred_at, ", ".join(filter(None, who)), entries))
    return moments


def _texts(events: list[KnownEvent]) -> dict[UUID, KnownText]:
    """By event, what somebody said with it."""
    named = {
        event.event_id: text_id for event in events if (text_id := getattr(event.payload, "text_id", None))
    }
    found = personal.texts(set(named.values()))
    return {event_id: found[text_id] for event_id, text_id in named.items()}


@operator_page(Permission.EVENTS_COUNTER, "POST")
def undo(request: OperatorRequest, code: str, event_id: UUID) -> HttpResponse:
    """A counter-event with a reason. A second press finds the event undone and leaves it so."""
    with tenancy.reading(request.actor):
        is_undone = log.get_event(event_id).standing == "superseded"
    if not is_undone:
        office.counter_event(actor=request.actor, event_id=event_id, reason=request.POST.get("reason", ""))
    return redirect(reverse("unit", args=[request.operator.slug, code]) + f"#event-{event_id}")


@never_cache
@require_http_methods(["GET", "HEAD"])
def scanned(request: HttpRequest, code: str) -> HttpResponse:
    """The address printed on a label: to the unit, at whichever of a member's operators it belongs to."""
    if not request.user.is_authenticated:
        return redirect(f"{reverse('sign-in')}?next={request.path}")
    for membership in accounts.memberships_of(request.user.id):
        actor = actor_for(request.user.id, membership.slug)
        with tenancy.reading(actor):
            known = fleet.units().filter(code=normalise_label_code(code)).exists()
        if known and actor.may(Permission.UNITS_READ):
            return redirect("unit", slug=membership.slug, code=normalise_label_code(code))
    raise NotFound("There is no unit with this label at any operator you are a member of.")
