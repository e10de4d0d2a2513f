"""The lookout: one sentence, then the sites that need somebody, the worst first, the crews' day and a map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import quote, urlencode
from uuid import UUID

from django.http import HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.phrases import day as said_day
from accounts.phrases import time_of_day
from servicing.pages.lookout import asking
from servicing.pages.lookout.map import MOST_LINKS, picture
from servicing.pages.wording import ALERTS, why
from servicing.queries.lookout import (
    Asked,
    RankedSite,
    alert_counts,
    crew_days,
    local_days,
    planned_hours,
    ranked,
    unnoted_alerts,
)
from servicing.queries.planning import NextVisit, next_visits, notes_of
from servicing.queries.pulse import pulse

# So many rows a page: with all else on it the page stays below 3,000 elements.
MOST_ROWS = 60
MOST_HOURS = 120
BANDS = ("in_grace", "past_grace", "long_past")
ABOUT = {
    "safety": N_("leaks and chemicals"),
    "dry": N_("dry or dry soon"),
    "late": N_("past grace"),
    "not_admitted": N_("not admitted"),
    "due": N_("in grace"),
    "off": N_("output off"),
    "wick": N_("wicks to watch"),
}
ABOUT_OF_ALERT = {"due": "due", "past_grace": "late", "dry_soon": "dry", "wick_watch": "wick", "drift": "off"}
STATES = {
    "waiting": "",
    "served": N_("served"),
    "part_served": N_("part served"),
    "not_admitted": N_("not admitted"),
    "called_off": N_("called off"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """A site as it is shown. ``unnoted``: open alerts that nobody took note of; ``plan_id`` the visit planned next."""

    site: RankedSite
    why: str
    crew: str
    next: str
    plan_id: UUID | None
    note: str
    more_notes: int
    unnoted: int


@operator_page(Permission.ALERTS_READ)
def lookout(request: OperatorRequest) -> HttpResponse:
    return render(request, "servicing/lookout.html", shown(request))


def asked_of(query: QueryDict) -> Asked:
    """What an address asks for; a place that is no number is the first."""
    first = query.get("from", "")
    return Asked(
        crew=query.get("crew", ""),
        area=query.get("area", ""),
        band=query.get("band", ""),
        about=query.get("about", ""),
        first=max(1, int(first)) if first.isdecimal() and len(first) < len("1000000") else 1,
    )


def address_of(asked: Asked, **other: Any) -> str:
    """The part of an address behind its question mark that asks for the same; "" for all."""
    values: dict[str, Any] = {
        "crew": asked.crew,
        "area": asked.area,
        "band": asked.band,
        "about": asked.about,
    }
    values |= {"from": asked.first if asked.first > 1 else "", **other}
    return urlencode({name: value for name, value in values.items() if value})


def shown(request: OperatorRequest) -> dict[str, Any]:
    """Everything that the page and its changes show."""
    asked, today = asked_of(request.GET), clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        # The beats first: what changes while the rest is read is told by the next question.
        beats, days = pulse()[0], local_days()
        seen = ranked(asked, MOST_ROWS, days)
        alerts, hours, rules = alert_counts(), planned_hours(today), accounts.service_rules_on(today)
        crews = {crew.id: crew.name for crew in accounts.crews() if crew.is_active}
        rows = _rows(seen.rows, crews)
    query = address_of(asked)
    address = reverse("lookout", args=[request.operator.slug])
    back = f"{address}?{query}" if query else address
    last = asked.first + len(rows) - 1
    return {
        "today": today,
        "now": clock.now(),
        "dry_by": today + timedelta(days=rules.dry_soon_days),
        "seen": seen,
        "quiet": seen.sites - seen.needing,
        "rows": rows,
        "last": last,
        "before": f"?{address_of(asked, **{'from': max(1, asked.first - MOST_ROWS)})}"
        if asked.first > 1
        else "",
        "after": f"?{address_of(asked, **{'from': last + 1})}" if rows and last < seen.chosen else "",
        "asked": asked,
        "address": back,
        "back": quote(back, safe=""),
        "no_crew": _("no crew"),
        "all": address,
        "alerts": [(_(ALERTS[one.kind]), ABOUT_OF_ALERT[one.kind], one) for one in alerts],
        "unnoted": sum(one.unnoted for one in alerts),
        "crews": crews,
        "bands": BANDS,
        "abouts": ABOUT,
        "crew_days": crew_days(hours, crews),
        "hours": _hours(hours[:MOST_HOURS], crews),
        "more_hours": max(0, len(hours) - MOST_HOURS),
        "most_links": MOST_LINKS,
        "map": picture(seen.marks, request.operator.slug),
        **_live(request, beats, days, query),
        **{name: request.actor.may(permission) for name, permission in _MAY.items()},
    }


_MAY = {
    "may_note": Permission.ALERTS_ACKNOWLEDGE,
    "may_plan": Permission.VISITS_PLAN,
    "may_set_up": Permission.SITES_MANAGE,
}


def _live(request: OperatorRequest, beats: int, days: Mapping[str, date], query: str) -> dict[str, str]:
    standing = asking.standing_of(request, days)
    return {
        "changes": f"{reverse('lookout-changes', args=[request.operator.slug])}?{query}",
        "etag": asking.etag(beats, standing, query),
        "token": asking.token(standing),
    }


def _rows(sites: list[RankedSite], crews: Mapping[UUID, str]) -> list[Row]:
    """Inside an open scope: the rows, with what is planned, noted and open at each site."""
    ids = [site.site_id for site in sites]
    upcoming, notes, unnoted = next_visits(ids), notes_of(ids), unnoted_alerts(ids)
    rows = []
    for site in sites:
        visit, own = upcoming.get(site.site_id), notes.get(site.site_id, [])
        rows.append(
            Row(
                site=site,
                why=why(site.harm, site.not_admitted_on),
                crew=crews.get(site.crew_id, "") if site.crew_id else "",
                next=_next(visit, site),
                plan_id=visit.planned_visit_id if visit else None,
                note=own[0].text if own else "",
                more_notes=len(own) - 1,
                unnoted=len(unnoted.get(site.site_id, [])),
            )
        )
    return rows


def _next(visit: NextVisit | None, site: RankedSite) -> str:
    """When somebody comes, as one phrase; a due day that nobody has planned for says so."""
    if visit is None:
        return _("nothing due")
    values = {"day": said_day(visit.day), "crew": visit.crew}
    if not visit.is_planned:
        return _("was due {day}", **values) if visit.day < site.today else _("due {day}", **values)
    if visit.begins_at is None:
        return _("{day}, {crew}", **values) if visit.crew else _("{day}, no crew yet", **values)
    values["time"] = time_of_day(visit.begins_at)
    return _("{day}, {time}, {crew}", **values) if visit.crew else _("{day}, {time}, no crew yet", **values)


def _hours(hours: list[Any], crews: Mapping[UUID, str]) -> list[tuple[Any, list[tuple[Any, str, str]]]]:
    """The day by the hour: its beginning (None for visits without a time), and each visit with its crew and its state."""
    found: dict[Any, list[tuple[Any, str, str]]] = {}
    for one in hours:
        hour = one.begins_at.replace(minute=0, second=0) if one.begins_at else None
        crew = crews.get(one.crew_id, "") if one.crew_id else ""
        found.setdefault(hour, []).append((one, crew, _(STATES[one.state])))
    return list(found.items())
