"""What is kept of the codes of a site, and who was shown one. No query opens a code: only ``show_code`` does.

Inside an operator's scope.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from accounts import clock
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.languages import _
from accounts.permissions import Actor
from servicing.models import EntrySecret, EntryShowing, PlannedVisit
from servicing.queries.planning import usual_minutes_at
from servicing.rules.entries import MOST_UNSAID, is_on

MOST_SHOWN = 100


@dataclass(frozen=True, slots=True)
class EntryLine:
    """A code that is kept: who set it and when, and whom it was shown to last; ``last`` is None until it was shown."""

    id: UUID
    label: str
    set_by: str
    set_at: datetime
    last: ShowingLine | None


@dataclass(frozen=True, slots=True)
class ShowingLine:
    """A code was shown: to whom, of which crew, when, and for the visit of which day. ``is_kept``: the code still is."""

    label: str
    name: str
    crew: str
    day: date
    shown_at: datetime
    is_kept: bool


def codes_of(site_id: UUID) -> QuerySet[EntrySecret]:
    """The codes that are kept of a site, by their labels."""
    # What is sealed is read where it is shown, and nowhere else.
    return EntrySecret.objects.defer("sealed").filter(site_id=site_id, struck_at=None).order_by("label", "id")


def code_lines(site_id: UUID) -> list[EntryLine]:
    """The codes that are kept of a site, each with its last showing."""
    rows = list(codes_of(site_id).select_related("set_by"))
    last = {}
    if rows:
        shown = EntryShowing.objects.filter(secret_id__in=[row.id for row in rows])
        newest = shown.order_by("secret_id", "-shown_at", "-id").distinct("secret_id")
        last = {one.secret_id: _showing(one) for one in newest.select_related("crew", "secret")}
    return [
        EntryLine(row.id, row.label, row.set_by.name if row.set_by else "", row.set_at, last.get(row.id))
        for row in rows
    ]


def showings_at(site_id: UUID) -> list[ShowingLine]:
    """The latest showings of a site's codes, the newest first; also of codes that are struck."""
    rows = EntryShowing.objects.filter(secret__site_id=site_id).order_by("-shown_at", "-id")
    return [_showing(one) for one in rows.select_related("crew", "secret")[:MOST_SHOWN]]


def _showing(one: EntryShowing) -> ShowingLine:
    return ShowingLine(
        one.secret.label, one.name, one.crew.name, one.day, one.shown_at, one.secret.struck_at is None
    )


def get_code(site_id: UUID, code_id: UUID) -> EntrySecret:
    """A code that is kept of this site; NotFound for one that is struck, another site's or another operator's."""
    found: EntrySecret | None = codes_of(site_id).filter(id=code_id).first()
    if found is None:
        raise NotFound(_("There is no such code at this site (any more)."))
    return found


def visit_on(actor: Actor, site: Any) -> PlannedVisit | None:
    """The visit that the actor's crew has planned at a site and that is on now, by the site's zone; else None."""
    return visits_on(actor, [site]).get(site.id)


def visits_on(actor: Actor, sites: Collection[Any]) -> dict[UUID, PlannedVisit]:
    """Of several sites, those where the actor's crew has a visit that is on now; today's before one that began yesterday."""
    if actor.crew_id is None or not sites:
        return {}
    now = clock.now()
    locals_ = {site.id: now.astimezone(clock.zone_of(site.zone)) for site in sites}
    days = {local.date() for local in locals_.values()}
    plans = PlannedVisit.objects.filter(
        crew_id=actor.crew_id,
        # Its people may still be signed in.
        crew__is_active=True,
        called_off_at=None,
        site_id__in=list(locals_),
        day__gte=min(days) - timedelta(days=1),
        day__lte=max(days),
    )
    found: dict[UUID, PlannedVisit] = {}
    usual = usual_minutes_at(list(locals_))
    for plan in plans.order_by("day", "id"):
        minutes = plan.minutes or min(usual[plan.site_id], MOST_UNSAID)
        if is_on(plan.day, plan.begins_at, minutes, locals_[plan.site_id]):
            found[plan.site_id] = plan
    return found


def sites_to_enter(actor: Actor, site_ids: Collection[UUID]) -> set[UUID]:
    """Those of these sites of which a code is kept that the actor may be shown now."""
    rows = EntrySecret.objects.filter(site_id__in=site_ids, struck_at=None)
    kept = set(rows.order_by().values_list("site_id", flat=True))
    return set(visits_on(actor, list(accounts.sites_in(kept).values()))) if kept else set()


def showings_on(crew_id: UUID, day: date) -> int:
    """How often codes were shown to a crew for visits of one day."""
    return EntryShowing.objects.filter(crew_id=crew_id, day=day).count()
