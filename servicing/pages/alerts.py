"""Every open alert, and the buttons that take note of one or of all of a site."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import queries as accounts
from accounts import tenancy
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands import office
from servicing.pages.planning import onward
from servicing.pages.wording import ALERTS
from servicing.queries import fleet_state
from servicing.queries.lookout import unnoted_alerts

MOST_ALERTS = 500


@operator_page(Permission.ALERTS_READ)
def alerts(request: OperatorRequest) -> HttpResponse:
    """Every open alert, those without a note first, with the button that takes note of it."""
    kind = request.GET.get("kind", "")
    kind = kind if kind in ALERTS else ""
    with tenancy.reading(request.actor):
        rows = fleet_state.open_alerts()
        rows = rows.filter(kind=kind) if kind else rows
        found = list(rows.order_by("-acknowledged_at", "first_day", "id")[: MOST_ALERTS + 1])
    page = {
        "alerts": [(_(ALERTS[alert.kind]), alert) for alert in found[:MOST_ALERTS]],
        "has_more": len(found) > MOST_ALERTS,
        "most": MOST_ALERTS,
        "kind": kind,
        "kind_words": _(ALERTS[kind]) if kind else "",
        "kinds": ALERTS,
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
    }
    return render(request, "servicing/alerts.html", page)


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "POST")
def take_note(request: OperatorRequest, alert_id: UUID) -> HttpResponse:
    """Acknowledge one alert, then on to where the form says, else to its unit."""
    office.acknowledge_alert(actor=request.actor, alert_id=alert_id)
    with tenancy.reading(request.actor):
        code = fleet_state.get_alert(alert_id).unit.code
    return redirect(onward(request, reverse("unit", args=[request.operator.slug, code])))


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "POST")
def take_note_at_site(request: OperatorRequest, code: str) -> HttpResponse:
    """Acknowledge every open alert of a site that nobody has taken note of, then back to the lookout."""
    with tenancy.reading(request.actor):
        site = accounts.site_by_code(code)
        alert_ids = unnoted_alerts([site.id]).get(site.id, [])
    office.acknowledge_alerts(actor=request.actor, alert_ids=alert_ids)
    return redirect(onward(request, reverse("lookout", args=[request.operator.slug])))
