"""Planning: which crew goes to which site on which day, what is moved or called off, and notes of the office."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any
from uuid import UUID, uuid5

from django.db import IntegrityError

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, require
from accounts.phrases import day as said_day
from servicing import log
from servicing.commands.office import record_events
from servicing.models import Announcement, PlannedVisit, SiteNote, Visit
from servicing.projections.pulse import beat
from servicing.queries.planning import CAME, called_off_visit_id, get_note, get_planned_visit, round_of
from servicing.queries.proposing import position_of, proposed_day, time_at
from servicing.rules.rounds import Timed, swapped

MOST_VISITS = 1_000
MOST_MINUTES = 1_440
MOST_NOTE = 500
CALL_OFF_REASONS = ("customer", "operator", "weather", "other")


def plan_visit(
    *,
    actor: Actor,
    site_id: UUID,
    day: date,
    crew_id: UUID | None = None,
    begins_at: time | None = None,
    minutes: int | None = None,
    id: UUID | None = None,  # noqa: A002
) -> PlannedVisit:
    """Plan one visit; without a crew it is the site's usual one's. ``begins_at`` is in the site's time.

    The same again with the same ``id`` plans nothing more. Conflict when one is open for the site and day.
    """
    wanted = {"site_id": site_id, "day": day, "crew_id": crew_id, "begins_at": begins_at, "minutes": minutes}
    return plan_visits(actor=actor, visits=[{**wanted, "id": id}])[0]


def plan_visits(*, actor: Actor, visits: Sequence[Mapping[str, Any]]) -> list[PlannedVisit]:
    """Plan several visits, all or none; each with the names of ``plan_visit``. Pointers begin with the visit's index."""
    require(actor, Permission.VISITS_PLAN)
    if len(visits) > MOST_VISITS:
        raise BadInput(_("Plan at most {most} visits at a time. Nothing was planned.", most=MOST_VISITS))
    try:
        with tenancy.writing(actor):
            return _plan(actor, visits)
    except IntegrityError as clash:
        raise Conflict(
            _("Somebody else has just planned a visit of this site for that day. Look again.")
        ) from clash


def _plan(actor: Actor, visits: Sequence[Mapping[str, Any]]) -> list[PlannedVisit]:
    """Inside an open scope."""
    now = clock.now()
    known = {
        plan.id: plan
        for plan in PlannedVisit.objects.filter(id__in=[one["id"] for one in visits if one.get("id")])
    }
    sites = accounts.sites_in({one["site_id"] for one in visits})
    rows = [known.get(one.get("id")) or _row(actor, one, sites, now) for one in visits]
    _refuse_unfit(visits, rows, sites)
    fresh = [row for row in rows if row.id not in known]
    _refuse_taken([(row.site_id, row.day) for row in fresh], sites)
    if fresh:
        PlannedVisit.objects.bulk_create(fresh)
        beat()
    return rows


def _row(actor: Actor, wanted: Mapping[str, Any], sites: Mapping[UUID, Any], now: Any) -> PlannedVisit:
    site = sites.get(wanted["site_id"])
    return PlannedVisit(
        id=wanted.get("id") or uuid7(now),
        operator_id=actor.operator_id,
        site_id=wanted["site_id"],
        crew_id=wanted.get("crew_id") or (site.crew_id if site else None),
        day=wanted["day"],
        begins_at=wanted.get("begins_at"),
        minutes=wanted.get("minutes"),
        made_by_id=_member(actor),
        made_at=now,
    )


def _member(actor: Actor) -> UUID | None:
    return actor.id if actor.kind is ActorKind.MEMBER else None


def _refuse_unfit(
    visits: Sequence[Mapping[str, Any]], rows: Sequence[PlannedVisit], sites: Mapping[UUID, Any]
) -> None:
    absent = [place for place, row in enumerate(rows) if row.site_id not in sites]
    if absent:
        said = _("There is no site here with this id. Nothing was planned.")
        raise NotFound(said, errors=[Problem(f"/{place}/site", "not-found", said) for place in absent])
    active = {crew.id for crew in accounts.crews() if crew.is_active}
    problems = []
    for place, (wanted, row) in enumerate(zip(visits, rows, strict=True)):
        if (wanted["site_id"], wanted["day"]) != (row.site_id, row.day):
            raise Conflict(_("A planned visit with this id and another site or day is there already."))
        if row.day < clock.today(sites[row.site_id].zone):
            problems.append(
                Problem(f"/{place}/day", "past", _("This day has passed. Choose today or later."))
            )
        if row.crew_id is not None and row.crew_id not in active:
            said = _("This crew is not there or works no more. Choose another.")
            problems.append(Problem(f"/{place}/crew", "not-found", said))
        if row.minutes is not None and not 1 <= row.minutes <= MOST_MINUTES:
            said = _("A visit takes from 1 to {most} minutes.", most=MOST_MINUTES)
            problems.append(Problem(f"/{place}/minutes", "out-of-range", said))
    if problems:
        raise BadInput(_("{why} Nothing was planned.", why=problems[0].detail), errors=problems)


def _refuse_taken(wanted: Sequence[tuple[UUID, date]], sites: Mapping[UUID, Any]) -> None:
    """Conflict where a visit of one of these sites is open on its day, or is wanted twice."""
    stored = PlannedVisit.objects.filter(
        site_id__in={site_id for site_id, _day in wanted},
        day__in={day for _site, day in wanted},
        called_off_at=None,
    )
    taken = set(stored.values_list("site_id", "day"))
    for place, (site_id, day) in enumerate(wanted):
        if (site_id, day) in taken:
            said = _(
                "A visit of {site} on {day} is planned already.", site=sites[site_id].name, day=said_day(day)
            )
            raise Conflict(said, errors=[Problem(f"/{place}/day", "taken", said)])
        taken.add((site_id, day))


def move_visit(
    *,
    actor: Actor,
    planned_visit_id: UUID,
    day: date | None = None,
    crew_id: UUID | None = None,
    begins_at: time | None = None,
) -> PlannedVisit:
    """Move an open visit to another day, crew or time; what is left out stays, but another day without a time has none.

    BadInput for a day that has passed, Conflict for a visit that was made or called off, or where that day is taken.
    """
    require(actor, Permission.VISITS_PLAN)
    try:
        with tenancy.writing(actor):
            plan = _open_plan(planned_visit_id)
            site = accounts.get_site(plan.site_id)
            if day is not None and day != plan.day:
                if day < clock.today(site.zone):
                    said = _("This day has passed, so the visit stays where it was. Choose today or later.")
                    raise BadInput(said, errors=[Problem("/day", "past", said)])
                _refuse_taken([(site.id, day)], {site.id: site})
                plan.moved_from_on, plan.day, plan.begins_at = plan.day, day, None
            if crew_id is not None and crew_id != plan.crew_id:
                if not accounts.crews().filter(id=crew_id, is_active=True).exists():
                    said = _("This crew is not there or works no more. Choose another.")
                    raise BadInput(said, errors=[Problem("/crew", "not-found", said)])
                plan.crew_id = crew_id
            plan.begins_at = begins_at or plan.begins_at
            _save(plan, "day", "moved_from_on", "crew_id", "begins_at")
    except IntegrityError as clash:
        raise Conflict(
            _("Somebody else has just planned a visit of this site for that day. Look again.")
        ) from clash
    return plan


def _save(plan: PlannedVisit, *names: str) -> None:
    PlannedVisit.objects.filter(id=plan.id).update(**{name: getattr(plan, name) for name in names})
    beat()


def _open_plan(planned_visit_id: UUID) -> PlannedVisit:
    """Inside an open scope: the plan, its row locked; Conflict when it was made or called off."""
    get_planned_visit(planned_visit_id)
    plan: PlannedVisit = PlannedVisit.objects.select_for_update(of=("self",)).get(id=planned_visit_id)
    if plan.called_off_at is not None:
        raise Conflict(_("This visit was called off already; it stays so."))
    if Visit.objects.filter(site_id=plan.site_id, day=plan.day, outcome__in=CAME).exists():
        raise Conflict(_("A crew has been there on this day already, so this visit stays as it is."))
    return plan


def shift_visit(*, actor: Actor, planned_visit_id: UUID, later: bool) -> PlannedVisit:
    """Let a visit change places with the next one of its round (or the one before), and reckon their times anew.

    At the end of the round nothing changes.
    """
    require(actor, Permission.VISITS_PLAN)
    with tenancy.writing(actor):
        plan = _open_plan(planned_visit_id)
        if plan.crew_id is None:
            raise Conflict(_("No crew is to make this visit yet. Give it a crew first."))
        waiting = [one for one in round_of(plan.crew_id, plan.day).visits if one.state == "waiting"]
        place = [one.planned.id for one in waiting].index(plan.id)
        first = place if later else place - 1
        if not 0 <= first < len(waiting) - 1:
            return plan
        times = swapped([_timed(one) for one in waiting], first)
        order = [*waiting[:first], waiting[first + 1], waiting[first], *waiting[first + 2 :]]
        for one, minute in zip(order, times, strict=True):
            PlannedVisit.objects.filter(id=one.planned.id).update(begins_at=time_at(minute))
        beat()
        return get_planned_visit(plan.id)


def _timed(one: Any) -> Timed:
    at = one.planned.begins_at
    return Timed(at.hour * 60 + at.minute if at else None, one.minutes, position_of(one.site))


def call_off_visit(*, actor: Actor, planned_visit_id: UUID, reason: str) -> None:
    """Call a visit off: the event ``visit.called_off`` of the log, and the mark on the plan, once.

    The event's id follows from the plan's, so that a repeat after a failure marks the plan without a second event.
    """
    require(actor, Permission.VISITS_PLAN)
    if reason not in CALL_OFF_REASONS:
        said = _("Say why: one of {reasons}.", reasons=", ".join(CALL_OFF_REASONS))
        raise BadInput(said, errors=[Problem("/reason", "unreadable", said)])
    event_id = uuid5(planned_visit_id, "visit called off event")
    with tenancy.writing(actor):
        plan = _open_plan(planned_visit_id)
        is_recorded = bool(log.events_by_id([event_id]))
    if not is_recorded:
        payload = {"site_id": str(plan.site_id), "reason": reason} | (
            {"crew_id": str(plan.crew_id)} if plan.crew_id else {}
        )
        subject = {"kind": "visit", "id": str(called_off_visit_id(plan.id))}
        record_events(
            actor=actor,
            events=[
                {"id": str(event_id), "type": "visit.called_off", "subject": subject, "payload": payload}
            ],
        )
    with tenancy.writing(actor):
        PlannedVisit.objects.filter(id=plan.id, called_off_at=None).update(
            called_off_at=clock.now(), called_off_reason=reason
        )
        beat()


def take_off_visit(*, actor: Actor, planned_visit_id: UUID) -> None:
    """Take a visit that was planned by mistake off its round, as if it had never been planned.

    Conflict once somebody at the site was told of it: then it is called off instead.
    """
    require(actor, Permission.VISITS_PLAN)
    with tenancy.writing(actor):
        plan = _open_plan(planned_visit_id)
        if Announcement.objects.filter(planned_visit_id=plan.id).exists():
            raise Conflict(_("The site has been told of this visit. Call it off instead, and say why."))
        PlannedVisit.objects.filter(id=plan.id).delete()
        beat()


def plan_round(
    *, actor: Actor, crew_id: UUID, day: date, site_ids: Sequence[UUID] | None = None
) -> list[PlannedVisit]:
    """Propose the rest of a crew's day and store it: the worst of its sites first, as far as the day goes.

    ``site_ids``: only these of the proposed sites. What does not fit is no visit: ``proposing.waiting_sites`` names it.
    """
    require(actor, Permission.VISITS_PLAN)
    with tenancy.reading(actor):
        crew = accounts.get_crew(crew_id)
        today = clock.today(accounts.get_operator().zone)
        if day < today or not crew.is_active:
            said = (
                _("This day has passed. Choose today or later.")
                if crew.is_active
                else _("This crew works no more. Choose another.")
            )
            raise BadInput(said, errors=[Problem("/day" if crew.is_active else "/crew", "past", said)])
        proposed = proposed_day(crew_id, day, site_ids)
    visits = [
        {
            "site_id": one.waiting.site.id,
            "day": day,
            "crew_id": crew_id,
            "begins_at": one.begins_at,
            "minutes": one.minutes,
        }
        for one in proposed.visits
    ]
    return plan_visits(actor=actor, visits=visits) if visits else []


def write_note(*, actor: Actor, site_id: UUID, text: str) -> SiteNote:
    """Write down what the office wants to remember of a site: 1 to 500 characters."""
    require(actor, Permission.ALERTS_ACKNOWLEDGE)
    said = text.strip()
    if not 1 <= len(said) <= MOST_NOTE or "\x00" in said:
        wrong = _("A note has 1 to {most} characters; this one was not kept.", most=MOST_NOTE)
        raise BadInput(wrong, errors=[Problem("/text", "length", wrong)])
    with tenancy.writing(actor):
        accounts.get_site(site_id)
        note: SiteNote = SiteNote.objects.create(
            operator_id=actor.operator_id,
            site_id=site_id,
            text=said,
            written_by_id=_member(actor),
            written_at=clock.now(),
        )
        beat()
    return note


def strike_note(*, actor: Actor, note_id: UUID) -> None:
    """Strike a note that no longer matters; one that is struck stays so."""
    require(actor, Permission.ALERTS_ACKNOWLEDGE)
    with tenancy.writing(actor):
        note = get_note(note_id)
        if SiteNote.objects.filter(id=note.id, struck_at=None).update(struck_at=clock.now()):
            beat()
