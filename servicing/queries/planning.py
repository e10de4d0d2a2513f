"""What the office intends: a site's next visit, a crew's round of a day and what came of it, and notes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Any
from uuid import UUID, uuid5

from django.db.models import F, Min, Q, QuerySet

from accounts import clock
from accounts import queries as accounts
from accounts.errors import NotFound
from accounts.languages import _
from servicing.models import DueSegment, PlannedVisit, SiteNote, UnitState, Visit
from servicing.queries.weighing import harms_on
from servicing.rules.rounds import reason, usual_minutes

MADE = ("served", "part_served")
CAME = (*MADE, "not_admitted")
# The last visits that tell how long one takes.
MOST_TIMED = 8
CALLED_OFF_LOOK_BACK = timedelta(days=62)


@dataclass(frozen=True, slots=True)
class NextVisit:
    """When somebody comes next: as planned, or else the earliest open due day with the site's usual crew.

    A due day may lie in the past: then nobody came yet and nobody has planned to.
    """

    day: date
    crew_id: UUID | None
    crew: str
    begins_at: time | None
    is_planned: bool
    planned_visit_id: UUID | None


@dataclass(frozen=True, slots=True)
class RoundVisit:
    """One planned visit. ``state``: waiting, served, part_served, not_admitted or called_off; ``visit`` what came of it.

    ``why`` names the gravest reason while it waits; ``minutes`` are those planned, else the site's usual ones.
    ``units`` hang there now, and ``left`` of them were not handled yet.
    """

    planned: PlannedVisit
    site: Any
    state: str
    why: str
    minutes: int
    units: int
    left: int
    visit: Visit | None


@dataclass(frozen=True, slots=True)
class Round:
    """One crew's day. ``planned`` leaves called-off visits out; ``done``: somebody was there. ``minutes`` on site.

    ``also``: arrivals of that day that nobody had planned, with their sites.
    """

    crew_id: UUID
    crew: str
    day: date
    visits: list[RoundVisit]
    done: int
    planned: int
    minutes: int
    also: list[tuple[Visit, Any]]

    @property
    def next(self) -> RoundVisit | None:
        """The first visit that still waits."""
        return next((one for one in self.visits if one.state == "waiting"), None)


def called_off_visit_id(planned_visit_id: UUID) -> UUID:
    """The id under which the log knows a planned visit that was called off: always the same."""
    return uuid5(planned_visit_id, "visit called off")


def get_planned_visit(planned_visit_id: UUID) -> PlannedVisit:
    """A plan with its site; NotFound for one that is absent or another operator's."""
    found: PlannedVisit | None = PlannedVisit.objects.filter(id=planned_visit_id).first()
    if found is None:
        raise NotFound(_("This planned visit is not there (any more). Look at the round again."))
    return found


def get_note(note_id: UUID) -> SiteNote:
    found: SiteNote | None = SiteNote.objects.filter(id=note_id).first()
    if found is None:
        raise NotFound(_("This note is not there (any more)."))
    return found


def notes_of(site_ids: Collection[UUID]) -> dict[UUID, list[SiteNote]]:
    """The notes of these sites that still matter, the newest first; a site without one has no entry."""
    found: dict[UUID, list[SiteNote]] = defaultdict(list)
    rows = SiteNote.objects.filter(site_id__in=site_ids, struck_at=None).order_by("-written_at", "id")
    for note in rows.select_related("written_by"):
        found[note.site_id].append(note)
    return dict(found)


def planned_of(site_id: UUID) -> list[PlannedVisit]:
    """A site's open plans from today on that nobody came to yet, the next first."""
    return _open_plans([accounts.get_site(site_id)])


def open_plans_at(site_ids: Collection[UUID]) -> list[PlannedVisit]:
    """The open plans of these sites from their today on that nobody came to yet, by day and time."""
    return _open_plans(list(accounts.sites_in(site_ids).values()))


def _open_plans(sites: Sequence[Any]) -> list[PlannedVisit]:
    if not sites:
        return []
    todays = {site.id: clock.today(site.zone) for site in sites}
    ids, since = list(todays), min(todays.values())
    rows = PlannedVisit.objects.filter(site_id__in=ids, called_off_at=None, day__gte=since)
    came = set(
        Visit.objects.filter(site_id__in=ids, day__gte=since, outcome__in=CAME).values_list("site_id", "day")
    )
    return [
        plan
        for plan in _in_order(rows.select_related("crew"))
        if plan.day >= todays[plan.site_id] and (plan.site_id, plan.day) not in came
    ]


def _in_order(rows: Iterable[PlannedVisit]) -> list[PlannedVisit]:
    """By day and time; those without a time last, in the order in which they were planned."""
    return sorted(rows, key=lambda one: (one.day, one.begins_at is None, one.begins_at or time.min, one.id))


def next_visits(site_ids: Collection[UUID]) -> dict[UUID, NextVisit]:
    """When somebody comes next to each of these sites; one where nothing is planned or due has no entry."""
    sites = accounts.sites_in(site_ids)
    found: dict[UUID, NextVisit] = {}
    for plan in _open_plans(list(sites.values())):
        crew = plan.crew.name if plan.crew else ""
        found.setdefault(
            plan.site_id,
            NextVisit(
                plan.day, plan.crew_id, crew, plan.begins_at, is_planned=True, planned_visit_id=plan.id
            ),
        )
    rest = [site for site in sites.values() if site.id not in found]
    if not rest:
        return found
    names = {crew.id: crew.name for crew in accounts.crews()}
    due = _due_days(rest)
    for site in rest:
        if site.id in due:
            crew = names.get(site.crew_id, "") if site.crew_id else ""
            found[site.id] = NextVisit(
                due[site.id], site.crew_id, crew, None, is_planned=False, planned_visit_id=None
            )
    return found


def _due_days(sites: Sequence[Any]) -> dict[UUID, date]:
    """Each site's earliest due day that is open or still to come."""
    by_zone: dict[str, list[UUID]] = defaultdict(list)
    for site in sites:
        by_zone[site.zone].append(site.id)
    found: dict[UUID, date] = {}
    for zone, ids in by_zone.items():
        rows = DueSegment.objects.filter(
            Q(ends_before=None) | Q(ends_before__gt=clock.today(zone)), site_id__in=ids, kind="due"
        )
        found |= dict(
            rows.order_by().values("site_id").annotate(on=Min("due_on")).values_list("site_id", "on")
        )
    return found


def round_of(crew_id: UUID, day: date) -> Round:
    """One crew's day, its called-off visits among the others; NotFound for a crew that is not there."""
    crew = accounts.get_crew(crew_id)
    plans = PlannedVisit.objects.filter(crew_id=crew_id, day=day)
    return _rounds({crew.id: crew.name}, list(plans), day)[0]


def rounds_on(day: date) -> list[Round]:
    """Every active crew's day by name, also of those without a plan; called-off visits are left out."""
    crews = {crew.id: crew.name for crew in accounts.crews().filter(is_active=True)}
    return _rounds(crews, list(_open_on(day).filter(crew_id__in=crews)), day)


def next_planned_after(day: date) -> dict[UUID, PlannedVisit]:
    """Of each crew, the first open visit that is planned after a day, with its site."""
    later = PlannedVisit.objects.filter(day__gt=day, called_off_at=None, crew__isnull=False)
    ordered = later.order_by("crew_id", "day", F("begins_at").asc(nulls_last=True), "id")
    return {plan.crew_id: plan for plan in ordered.distinct("crew_id").select_related("site")}


def planned_without_crew(day: date) -> list[RoundVisit]:
    """Open visits of a day that no crew is to make yet."""
    return _round_visits(list(_open_on(day).filter(crew_id__isnull=True)), day)


def _open_on(day: date) -> QuerySet[PlannedVisit]:
    return PlannedVisit.objects.filter(day=day, called_off_at=None)


def _rounds(crews: dict[UUID, str], plans: list[PlannedVisit], day: date) -> list[Round]:
    by_crew: dict[UUID | None, list[RoundVisit]] = defaultdict(list)
    for one in _round_visits(plans, day):
        by_crew[one.planned.crew_id].append(one)
    also = _unplanned(crews, plans, day)
    rounds = []
    for crew_id, name in crews.items():
        visits = by_crew[crew_id]
        kept = [one for one in visits if one.state != "called_off"]
        rounds.append(
            Round(
                crew_id=crew_id,
                crew=name,
                day=day,
                visits=visits,
                done=sum(one.state != "waiting" for one in kept),
                planned=len(kept),
                minutes=sum(one.minutes for one in kept),
                also=also.get(crew_id, []),
            )
        )
    return rounds


def _round_visits(plans: list[PlannedVisit], day: date) -> list[RoundVisit]:
    ids = {plan.site_id for plan in plans}
    sites = accounts.sites_in(ids)
    came = came_of(ids, day)
    waiting = {
        plan.site_id
        for plan in plans
        if plan.called_off_at is None
        and plan.site_id not in came
        and day >= clock.today(sites[plan.site_id].zone)
    }
    harms = harms_on(dict.fromkeys(waiting, day), {site_id: sites[site_id].zone for site_id in waiting})
    units, minutes = units_at(ids), usual_minutes_at(ids)
    found = []
    for plan in _in_order(plans):
        visit = came.get(plan.site_id) if plan.called_off_at is None else None
        hanging = units.get(plan.site_id, 0)
        found.append(
            RoundVisit(
                planned=plan,
                site=sites[plan.site_id],
                state="called_off" if plan.called_off_at else visit.outcome if visit else "waiting",
                why=reason(harms[plan.site_id]) if plan.site_id in harms and visit is None else "",
                minutes=plan.minutes or minutes[plan.site_id],
                units=hanging,
                left=_left(hanging, visit),
                visit=visit,
            )
        )
    return found


def _left(units: int, visit: Visit | None) -> int:
    """Units not handled yet: all of them where nobody worked, none where the site was served."""
    if visit is None or visit.outcome not in MADE:
        return units
    return 0 if visit.outcome == "served" else max(units - visit.units, 0)


def came_of(site_ids: Collection[UUID], day: date) -> dict[UUID, Visit]:
    """What came of a day's visits, by site: the last arrival; one called off at the door where nobody arrived.

    A plan that was called off on this day has its own event, which says nothing of another plan of the site.
    """
    found: dict[UUID, Visit] = {}
    rows = Visit.objects.filter(site_id__in=site_ids, day=day).order_by("occurred_at", "id")
    visits = list(rows)
    dropped = _called_off_ids([visit for visit in visits if visit.outcome == "called_off"])
    for visit in visits:
        if visit.outcome == "called_off":
            if visit.id not in dropped:
                found.setdefault(visit.site_id, visit)
        else:
            found[visit.site_id] = visit
    return found


def _called_off_ids(visits: Sequence[Visit]) -> set[UUID]:
    """The ids in the log of plans of these visits' sites that the office called off."""
    if not visits:
        return set()
    plans = PlannedVisit.objects.filter(
        site_id__in={visit.site_id for visit in visits},
        called_off_at__gte=min(visit.occurred_at for visit in visits) - CALLED_OFF_LOOK_BACK,
    )
    return {called_off_visit_id(plan_id) for plan_id in plans.values_list("id", flat=True)}


def _unplanned(
    crews: Collection[UUID], plans: Sequence[PlannedVisit], day: date
) -> dict[UUID, list[tuple[Visit, Any]]]:
    expected = {(plan.crew_id, plan.site_id) for plan in plans if plan.called_off_at is None}
    rows = Visit.objects.filter(day=day, crew_id__in=list(crews), outcome__in=CAME).order_by(
        "occurred_at", "id"
    )
    visits = [visit for visit in rows if (visit.crew_id, visit.site_id) not in expected]
    sites = accounts.sites_in({visit.site_id for visit in visits})
    found: dict[UUID, list[tuple[Visit, Any]]] = defaultdict(list)
    for visit in visits:
        if visit.crew_id:
            found[visit.crew_id].append((visit, sites[visit.site_id]))
    return found


def units_at(site_ids: Collection[UUID]) -> dict[UUID, int]:
    """How many units hang at each of these sites; a site without any has no entry."""
    found: dict[UUID, int] = defaultdict(int)
    for site_id in (
        UnitState.objects.filter(site_id__in=site_ids).order_by().values_list("site_id", flat=True)
    ):
        found[site_id] += 1
    return dict(found)


def usual_minutes_at(site_ids: Collection[UUID]) -> dict[UUID, int]:
    """How long a visit takes at each of these sites: the median of its last timed visits, else by its units."""
    taken: dict[UUID, list[int]] = defaultdict(list)
    rows = Visit.objects.filter(site_id__in=site_ids, outcome__in=MADE, minutes__gt=0).order_by(
        "-day", "-occurred_at"
    )
    for site_id, minutes in rows.values_list("site_id", "minutes"):
        if len(taken[site_id]) < MOST_TIMED:
            taken[site_id].append(minutes)
    units = units_at(site_ids)
    return {site_id: usual_minutes(taken[site_id], units.get(site_id, 0)) for site_id in site_ids}
