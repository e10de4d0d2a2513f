"""A day proposed for a crew: its usual sites that need somebody and are on no round, put into an order with times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any
from uuid import UUID

from accounts import clock
from accounts import queries as accounts
from servicing.models import Visit
from servicing.queries.planning import CAME, Round, RoundVisit, open_plans_at, round_of, usual_minutes_at
from servicing.queries.weighing import harms_on
from servicing.rules.harm import SiteHarm, worst_first
from servicing.rules.rounds import (
    DAY_BEGINS,
    DAY_MINUTES,
    Candidate,
    Position,
    propose,
    reason,
)

# A plan within these days looks after a site, unless somebody may be hurt there: a judgement.
LOOKED_AFTER_DAYS = 6
QUARTER = 15


@dataclass(frozen=True, slots=True)
class WaitingSite:
    """A site that needs somebody and that no round goes to."""

    site: Any
    harm: SiteHarm
    why: str
    minutes: int


@dataclass(frozen=True, slots=True)
class ProposedVisit:
    """A visit that would fit; ``way_minutes`` on the road before it."""

    waiting: WaitingSite
    begins_at: time
    minutes: int
    way_minutes: int


@dataclass(frozen=True, slots=True)
class ProposedDay:
    """What fits into what is left of a crew's day, in order, and what does not, the worst first."""

    visits: list[ProposedVisit]
    left_over: list[WaitingSite]


def waiting_sites(crew_id: UUID, day: date) -> list[WaitingSite]:
    """A crew's usual sites that need somebody as of a day and are on nobody's round, the worst first."""
    sites = [site for site in accounts.sites().filter(crew_id=crew_id) if day >= clock.today(site.zone)]
    days = {site.id: day for site in sites}
    harms = harms_on(days, {site.id: site.zone for site in sites})
    needing = [site for site in sites if harms[site.id].needs_someone]
    soon, looked_after = _looked_after([site.id for site in needing], day)
    open_ones = [
        site
        for site in needing
        if site.id not in soon and (site.id not in looked_after or harms[site.id].is_safety)
    ]
    open_ones.sort(key=lambda site: (worst_first(harms[site.id]), site.code))
    minutes = usual_minutes_at([site.id for site in open_ones])
    return [WaitingSite(site, harms[site.id], reason(harms[site.id]), minutes[site.id]) for site in open_ones]


def _looked_after(site_ids: Sequence[UUID], day: date) -> tuple[set[UUID], set[UUID]]:
    """Sites with a plan up to this day, or that somebody came to on it; and those with a plan in the days after."""
    plans = [(plan.site_id, plan.day) for plan in open_plans_at(site_ids)]
    came = Visit.objects.filter(site_id__in=site_ids, day=day, outcome__in=CAME)
    soon = {site_id for site_id, on in plans if on <= day} | set(came.values_list("site_id", flat=True))
    return soon, {site_id for site_id, on in plans if 0 < (on - day).days <= LOOKED_AFTER_DAYS}


def proposed_day(crew_id: UUID, day: date, site_ids: Sequence[UUID] | None = None) -> ProposedDay:
    """The rest of a crew's day, filled; ``site_ids``: of these sites only. What is planned already stays as it is."""
    waiting = waiting_sites(crew_id, day)
    if site_ids is not None:
        waiting = [one for one in waiting if one.site.id in set(site_ids)]
    by_id = {one.site.id: one for one in waiting}
    begins, last = _free_from(round_of(crew_id, day))
    found = propose(
        [Candidate(one.site.id, one.minutes, position_of(one.site)) for one in waiting],
        begins=begins,
        ends=DAY_BEGINS + DAY_MINUTES,
        last=last,
    )
    return ProposedDay(
        [
            ProposedVisit(by_id[slot.site_id], time_at(slot.begins), slot.minutes, slot.way_minutes)
            for slot in found.slots
        ],
        [by_id[site_id] for site_id in found.left_over],
    )


def _free_from(day_round: Round) -> tuple[int, Candidate | None]:
    """From when on a crew has time that day, and its last visit before that: after its last planned visit, never before now."""
    begins: int = DAY_BEGINS
    last: Candidate | None = None
    at = begins
    for one in day_round.visits:
        if one.state != "called_off":
            at = max(at, ends_at(one, at))
            begins, last = at, Candidate(one.site.id, one.minutes, position_of(one.site))
    now = clock.now().astimezone(clock.zone_of(accounts.get_operator().zone))
    if day_round.day == now.date():
        minute = now.hour * 60 + now.minute
        begins = max(begins, -(-minute // QUARTER) * QUARTER)
    return begins, last


def ends_at(one: RoundVisit, earliest: int) -> int:
    """The minute of the day at which a visit ends; ``earliest`` is when one without a time can begin."""
    begins_at = one.planned.begins_at
    return (begins_at.hour * 60 + begins_at.minute if begins_at else earliest) + one.minutes


def position_of(site: Any) -> Position | None:
    if site.latitude is None or site.longitude is None:
        return None
    return float(site.latitude), float(site.longitude)


def time_at(minute: int) -> time:
    """The time of day at a minute counted from midnight."""
    return time(*divmod(minute, 60))
