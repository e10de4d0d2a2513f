"""Units: find one by its label, and all that is known of it."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any
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
from accounts.languages import _, _n
from accounts.pages import OperatorRequest, actor_for, operator_page
from accounts.permissions import Permission
from fleet import queries as fleet
from servicing.commands import office
from servicing.pages.expecting import expectations
from servicing.pages.looking_back import look_back
from servicing.pages.next_visit import answer, next_said, to_do
from servicing.pages.opening_words import least_wick_age, since_before
from servicing.pages.picture import depletion
from servicing.pages.timeline import BilledOn, timeline
from servicing.pages.wick_picture import wick_age_picture
from servicing.pages.wording import ALERTS, COUNTER_REASONS, FAULTS, FINDINGS, standing_of
from servicing.queries import events as log
from servicing.queries import fleet_state
from servicing.queries.fleet_state import UnitView
from servicing.queries.planning import next_visits
from servicing.queries.wick_age import wick_age
from servicing.rules.wick import wick_age_days

if TYPE_CHECKING:
    from accounts.models import Site

PAGE_SIZE = 50


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
    outlook = view.outlook
    alerts = list(fleet_state.open_alerts().filter(unit_id=made.id))
    wick_days = _wick_days(view, today)
    return {
        "unit": made,
        "view": view,
        "site": site,
        "zone": zone,
        "answer": answer(view, today, zone),
        "standing": _standing(view, today, wick_days, zone),
        "next": next_said(next_visits([site.id]).get(site.id), today) if site else "",
        "to_do": to_do(view, today, zone),
        "expected": expectations(
            outlook if view.history.is_installed else None,
            view.segment,
            accounts.service_rules_on(today).dry_target,
            today,
            request.operator.currency,
        ),
        "faults": [
            (_(FAULTS[mode]), datetime.fromisoformat(at)) for mode, at in view.history.open_faults.items()
        ],
        "reports": [(kind, datetime.fromisoformat(at)) for kind, at in view.history.reports.values()],
        "findings": [(_(FINDINGS[code]), event_id) for code, event_id, _at in view.history.findings],
        "alerts": [(_(ALERTS[alert.kind]), alert) for alert in alerts],
        "picture": depletion(view.history, outlook, view.segment, today, zone),
        **_wick(view, site, wick_days),
        "back": look_back(request, made.id, zone),
        "timeline": timeline(request.actor, made.id, zone, billed_on),
        "reasons": {reason: _(words) for reason, words in COUNTER_REASONS.items()},
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
        "may_erase": request.actor.may(Permission.TEXTS_ERASE),
        "may_manage": request.actor.may(Permission.FLEET_MANAGE),
    }


def _standing(view: UnitView, today: date, wick_days: int | None, zone: str) -> list[str]:
    segment, outlook = view.segment, view.outlook
    said = standing_of(
        view.status,
        view.band,
        segment.due_on if segment else None,
        outlook.dry_on if outlook else None,
        today,
    )
    if wick_days is not None:
        said.append(_n("Its wick is {count} day old.", "Its wick is {count} days old.", wick_days))
    elif view.site_id:
        said.append(_unknown_wick_age(view, today, zone))
    if view.site_id and view.history.opened_at is not None:
        on = clock.local_date(datetime.fromisoformat(view.history.opened_at), zone)
        put_up = view.history.said_installed_on
        said.append(since_before(on, date.fromisoformat(put_up) if put_up else None))
    return said


def _unknown_wick_age(view: UnitView, today: date, zone: str) -> str:
    if view.history.opened_at is None:
        return _("The age of its wick is not known.")
    on = clock.local_date(datetime.fromisoformat(view.history.opened_at), zone)
    return least_wick_age(max(0, (today - on).days), on)


def _wick(view: UnitView, site: Site | None, wick_days: int | None) -> dict[str, Any]:
    """The life of wicks like its own; nothing for a unit that hangs nowhere."""
    if site is None or not view.history.is_installed:
        return {"wick_age": None}
    cartridge = UUID(view.history.cartridge_id) if view.history.cartridge_id else None
    age = wick_age(site.kind, site.hardness_mg_per_l, cartridge, wick_days)
    return {"wick_age": age, "wick_picture": wick_age_picture(age)}


def _wick_days(view: UnitView, today: date) -> int | None:
    since = view.outlook.wick_since_on if view.outlook else None
    return wick_age_days(since, today) if since else None


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
    raise NotFound(_("There is no unit with this label at any operator you are a member of."))
