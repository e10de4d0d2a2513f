"""The rounds: what every crew has before it on a day, and one crew's day, also on paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.languages import N_, _, _n
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.phrases import time_of_day
from servicing.commands import planning
from servicing.pages.planning import crew_choices, onward, reason_choices, round_page
from servicing.queries.entries import sites_to_enter
from servicing.queries.planning import (
    Round,
    RoundVisit,
    next_planned_after,
    notes_of,
    planned_without_crew,
    round_of,
    rounds_on,
)
from servicing.queries.proposing import ProposedDay, ends_at, proposed_day, time_at, waiting_sites
from servicing.queries.weighing import SiteWork, works_on
from servicing.rules.rounds import DAY_BEGINS, DAY_MINUTES, KM_PER_HOUR, LAST_MINUTE

STATES = {
    "waiting": N_("waiting"),
    "not_made": N_("nobody came"),
    "served": N_("served"),
    "part_served": N_("part served"),
    "not_admitted": N_("not admitted"),
    "called_off": N_("called off"),
}
REPORTS = {
    "odour": N_("look into the report of an odour"),
    "leak": N_("look into the report of a leak"),
    "empty": N_("look into the report of an empty unit"),
    "damage": N_("look into the report of damage"),
    "chemical": N_("look into the report of a chemical"),
}
MOST_WAITING = 40
MOST_NAMED = 12


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a round: the visit, how it stands in words, and what there is to do."""

    one: RoundVisit
    state: str
    to_do: str
    notes: Sequence[Any] = ()

    @property
    def is_waiting(self) -> bool:
        return self.one.state == "waiting"


@dataclass(frozen=True, slots=True)
class Hour:
    """One line of the day by the hour: a crew's visit."""

    crew: str
    crew_id: UUID | None
    row: Row


@operator_page(Permission.SITES_READ)
def rounds(request: OperatorRequest) -> HttpResponse:
    """Every crew's day; a crew member's own crew comes first."""
    today = clock.today(request.operator.zone)
    day = _day(request.GET.get("day", ""), today)
    with tenancy.reading(request.actor):
        found = sorted(rounds_on(day), key=lambda one: one.crew_id != request.actor.crew_id)
        lonely = planned_without_crew(day)
        later = next_planned_after(day) if day >= today else {}
    hours = [Hour(one.crew, one.crew_id, _row(visit, day, today)) for one in found for visit in one.visits]
    hours.sort(key=lambda hour: (_minute(hour.row.one, LAST_MINUTE), hour.crew))
    page = {
        **_days(day, today),
        "rounds": [(one, _until(one), later.get(one.crew_id)) for one in found],
        "next_day": min((plan.day for plan in later.values()), default=None),
        "lonely": lonely,
        "hours": hours,
        "planned": sum(one.planned for one in found),
        "done": sum(one.done for one in found),
        "leading": _leading(found, request.actor.crew_id) if day >= today else None,
        "may_plan": request.actor.may(Permission.VISITS_PLAN),
    }
    return render(request, "servicing/rounds.html", page)


def _leading(found: Sequence[Round], own: UUID | None) -> Round | None:
    """The round to speak of: one's own crew's while it has a visit before it, else the one whose next visit comes first."""
    waiting = [one for one in found if one.next]
    mine = [one for one in waiting if one.crew_id == own]
    return min(mine or waiting, key=lambda one: _minute(one.next, LAST_MINUTE), default=None)


@operator_page(Permission.SITES_READ)
def day_round(request: OperatorRequest, crew_id: UUID, day: str) -> HttpResponse:
    """One crew's day, in order; ``propose`` in the address fills the rest of it on trial."""
    today = clock.today(request.operator.zone)
    on = _exact_day(day)
    may_plan = request.actor.may(Permission.VISITS_PLAN) and on >= today
    with tenancy.reading(request.actor):
        found = round_of(crew_id, on)
        rows = _rows_with_work(found, today)
        waiting = waiting_sites(crew_id, on) if on >= today else []
        may_enter = request.actor.may(Permission.ENTRIES_SHOW) and request.actor.crew_id == crew_id
        to_enter = sites_to_enter(request.actor, [one.site.id for one in found.visits]) if may_enter else ()
        proposed = proposed_day(crew_id, on) if may_plan and "propose" in request.GET else None
        crews = crew_choices() if may_plan else []
    page = {
        **_days(on, today),
        "round": found,
        "rows": rows,
        "until": _until(found),
        "waiting": waiting[:MOST_WAITING],
        "waiting_count": len(waiting),
        "proposed": proposed,
        "proposed_until": _proposed_until(proposed),
        "left_over": proposed.left_over[:MOST_NAMED] if proposed else [],
        "left_over_more": len(proposed.left_over[MOST_NAMED:]) if proposed else 0,
        "may_plan": may_plan,
        # How to get in is for those who go there, or send somebody.
        "may_record": request.actor.may(Permission.EVENTS_RECORD),
        "may_note": request.actor.may(Permission.ALERTS_ACKNOWLEDGE),
        "to_enter": to_enter,
        "crews": crews,
        "reasons": reason_choices(),
        "new_visit": uuid7(),
        "crew_on": str(crew_id),
        "begins": time_at(DAY_BEGINS),
        "hours": DAY_MINUTES / 60,
        "kilometres": KM_PER_HOUR,
    }
    return render(request, "servicing/round.html", page)


@operator_page(Permission.VISITS_PLAN, "POST")
def plan_round(request: OperatorRequest, crew_id: UUID, day: str) -> HttpResponse:
    """Store the proposal of a day: the sites that were ticked, or all of it where nothing could be ticked."""
    on = _exact_day(day)
    ticked = [UUID(text) for text in request.POST.getlist("site") if _is_uuid(text)]
    chosen = ticked if "ticked" in request.POST else None
    planning.plan_round(actor=request.actor, crew_id=crew_id, day=on, site_ids=chosen)
    return redirect(onward(request, round_page(request, crew_id, on)))


def _is_uuid(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


def _day(text: str, otherwise: date) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return otherwise


def _exact_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotFound(
            _("A round is that of a day, such as 2026-11-26. Look for it among the rounds.")
        ) from None


def _days(day: date, today: date) -> dict[str, Any]:
    before = day - timedelta(days=1) if day > date.min else day
    after = day + timedelta(days=1) if day < date.max else day
    return {
        "day": day,
        "day_on": day.isoformat(),
        "before": before,
        "before_on": before.isoformat(),
        "after": after,
        "after_on": after.isoformat(),
        "is_today": day == today,
        "is_past": day < today,
        "is_future": day > today,
    }


def _rows_with_work(found: Round, today: date) -> list[Row]:
    """Inside an open scope."""
    sites = {one.site.id: one.site for one in found.visits}
    waiting = [one.site.id for one in found.visits if one.state == "waiting" and found.day >= today]
    works = works_on(dict.fromkeys(waiting, found.day), {site_id: sites[site_id].zone for site_id in waiting})
    notes = notes_of(list(sites))
    return [
        _row(one, found.day, today, works.get(one.site.id), notes.get(one.site.id, ()))
        for one in found.visits
    ]


def _row(
    one: RoundVisit, day: date, today: date, work: SiteWork | None = None, notes: Sequence[Any] = ()
) -> Row:
    state = "not_made" if one.state == "waiting" and day < today else one.state
    said = _(STATES[state])
    if one.visit is not None and one.state != "called_off":
        at = one.visit.occurred_at.astimezone(clock.zone_of(one.site.zone))
        said = _("{state} at {time}", state=said, time=time_of_day(at))
    return Row(one, said, _to_do(work) if work and one.state == "waiting" else "", notes)


def _to_do(work: SiteWork) -> str:
    """What there is to do, as one sentence; empty where nothing is known."""
    tasks = [
        said
        for number, said in (
            (work.exchange, _n("exchange {count} cartridge", "exchange {count} cartridges", work.exchange)),
            (work.change, _n("change {count} wick", "change {count} wicks", work.change)),
            (work.wash, _n("wash {count} wick", "wash {count} wicks", work.wash)),
            (work.clean, _n("clean {count} reservoir", "clean {count} reservoirs", work.clean)),
            (
                work.faults,
                _n("see to {count} unit with a fault", "see to {count} units with a fault", work.faults),
            ),
        )
        if number
    ]
    tasks = [_(REPORTS[kind]) for kind in dict.fromkeys(work.reports)] + tasks
    text = ", ".join(tasks)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _minute(one: RoundVisit | None, otherwise: int) -> int:
    at = one.planned.begins_at if one else None
    return at.hour * 60 + at.minute if at else otherwise


def _until(one: Round) -> time | None:
    """When the last visit of a round ends that says when it begins."""
    timed = [visit for visit in one.visits if visit.planned.begins_at and visit.state != "called_off"]
    return time_at(min(max(ends_at(visit, DAY_BEGINS) for visit in timed), LAST_MINUTE)) if timed else None


def _proposed_until(proposed: ProposedDay | None) -> time | None:
    if proposed is None or not proposed.visits:
        return None
    last = proposed.visits[-1]
    return time_at(min(last.begins_at.hour * 60 + last.begins_at.minute + last.minutes, LAST_MINUTE))
