"""The dispatcher's page: where to send somebody now, and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands import office
from servicing.pages.wording import ALERTS, why
from servicing.queries import fleet_state
from servicing.queries.lookout import SiteLine, alert_counts, site_lines
from servicing.rules.harm import SiteHarm

MOST_ROWS = 40
MOST_ALERTS = 500
BANDS = ("in_grace", "past_grace", "long_past")
ABOUT = {
    "safety": "leaks and chemicals",
    "dry": "dry or dry soon",
    "late": "past grace",
    "due": "in grace",
    "off": "output off",
    "wick": "wicks to watch",
    "not_admitted": "not admitted",
}
ABOUT_OF_ALERT = {"due": "due", "past_grace": "late", "dry_soon": "dry", "wick_watch": "wick", "drift": "off"}


@dataclass(frozen=True, slots=True)
class Row:
    line: SiteLine
    why: str


@operator_page(Permission.ALERTS_READ)
def lookout(request: OperatorRequest) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        lines, alerts = site_lines(), alert_counts()
        crews = [crew for crew in accounts.crews() if crew.is_active]
        rules = accounts.service_rules_on(today)
    needing = [line for line in lines if line.harm.needs_someone]
    crew, band, about = (request.GET.get(name, "") for name in ("crew", "band", "about"))
    candidates = lines if about == "wick" else needing
    chosen = [line for line in candidates if _is_asked_for(line, crew, band, about)]
    shown = chosen if request.GET.get("all") else chosen[:MOST_ROWS]
    page = {
        "today": today,
        "dry_by": today + timedelta(days=rules.dry_soon_days),
        "totals": _totals([line.harm for line in lines]),
        "worst": needing[0] if needing else None,
        "rows": [Row(line, _why(line)) for line in shown],
        "chosen": len(chosen),
        "quiet": len(lines) - len(needing),
        "has_sites": bool(lines),
        "is_filtered": bool(crew or band or about),
        "alerts": [(ALERTS[one.kind], ABOUT_OF_ALERT[one.kind], one) for one in alerts],
        "unnoted": sum(one.unnoted for one in alerts),
        "crews": crews,
        "crew": crew,
        "band": band,
        "about": about,
        "bands": BANDS,
        "abouts": ABOUT,
    }
    return render(request, "servicing/lookout.html", page)


def _totals(harms: list[SiteHarm]) -> dict[str, int]:
    return {
        "dry_units": sum(harm.out + harm.soon for harm in harms),
        "late_sites": sum(bool(harm.late) for harm in harms),
        "safety": sum(harm.safety_reports + harm.leaks for harm in harms),
        "due_sites": sum(bool(harm.in_grace) for harm in harms),
    }


def _is_asked_for(line: SiteLine, crew: str, band: str, about: str) -> bool:
    harm = line.harm
    asked = {
        "safety": harm.is_safety,
        "dry": bool(harm.out or harm.soon),
        "late": bool(harm.late),
        "due": bool(harm.in_grace),
        "off": bool(harm.off),
        "wick": bool(harm.watched),
        "not_admitted": harm.not_admitted,
    }
    in_band = {"in_grace": harm.in_grace, "past_grace": harm.past_grace, "long_past": harm.long_past}
    return (
        (not crew or str(line.crew_id or "none") == crew)
        and (not band or bool(in_band.get(band)))
        and (not about or asked.get(about, False))
    )


def _why(line: SiteLine) -> str:
    not_admitted_on: date | None = line.last_visit.day if line.last_visit and line.harm.not_admitted else None
    return why(line.harm, not_admitted_on)


@operator_page(Permission.ALERTS_READ)
def alerts(request: OperatorRequest) -> HttpResponse:
    """Every open alert, those without a note first, with the button that takes note of it."""
    kind = request.GET.get("kind", "")
    with tenancy.reading(request.actor):
        rows = fleet_state.open_alerts()
        rows = rows.filter(kind=kind) if kind in ALERTS else rows
        found = list(rows.order_by("-acknowledged_at", "first_day", "id")[: MOST_ALERTS + 1])
    page = {
        "alerts": [(ALERTS[alert.kind], alert) for alert in found[:MOST_ALERTS]],
        "has_more": len(found) > MOST_ALERTS,
        "most": MOST_ALERTS,
        "kind": kind,
        "kinds": ALERTS,
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
    }
    return render(request, "servicing/alerts.html", page)


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "POST")
def take_note(request: OperatorRequest, alert_id: UUID) -> HttpResponse:
    """Acknowledge one alert, then back to its unit."""
    office.acknowledge_alert(actor=request.actor, alert_id=alert_id)
    with tenancy.reading(request.actor):
        code = fleet_state.get_alert(alert_id).unit.code
    return redirect("unit", slug=request.operator.slug, code=code)
