"""A crew's day, proposed: whom to visit, in which order and when. Plain arithmetic that a person can follow.

It is no optimiser: the worst sites come first until the day is full, then the nearest next. Minutes count from
midnight, in the crew's local time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, ceil, cos, radians, sin, sqrt
from statistics import median
from uuid import UUID

from accounts.languages import _, _n
from accounts.phrases import day as said_day
from servicing.rules.harm import SiteHarm

DAY_BEGINS = 8 * 60
# What a crew can give a day on site and on the road: a judgement, an eight-hour shift less loading and breaks.
DAY_MINUTES = 450
# A site nobody has timed yet: a judgement, getting in and signing out, and then each unit.
MINUTES_A_SITE, MINUTES_A_UNIT = 10, 4
# Roads are longer than the straight line, and towns are slow: a judgement.
ROAD_FACTOR, KM_PER_HOUR = 1.3, 40
# Between two sites of which one has no position: a judgement.
MINUTES_UNKNOWN_WAY = 15
# Mean radius of the earth, R1 of the IUGG: (2a + b) / 3 of the ellipsoid GRS 80.
EARTH_KM = 6371.0088
LAST_MINUTE = 24 * 60 - 1

Position = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A site that needs somebody; ``minutes`` is what a visit usually takes there, ``position`` (latitude, longitude)."""

    site_id: UUID
    minutes: int
    position: Position | None


@dataclass(frozen=True, slots=True)
class Slot:
    """A visit proposed: when it begins, in minutes from midnight, how long it takes, and the way to it."""

    site_id: UUID
    begins: int
    minutes: int
    way_minutes: int


@dataclass(frozen=True, slots=True)
class Proposal:
    """What fits into a day, in the order of the way, and the sites that did not, the worst first."""

    slots: list[Slot]
    left_over: list[UUID]


def great_circle_km(one: Position, other: Position) -> float:
    """The way over the sphere between two positions in degrees, by the haversine formula (Sinnott 1984)."""
    (south, west), (north, east) = ((radians(a), radians(b)) for a, b in (one, other))
    half = sin((north - south) / 2) ** 2 + cos(south) * cos(north) * sin((east - west) / 2) ** 2
    return 2 * EARTH_KM * asin(sqrt(min(half, 1)))


def way_minutes(one: Position | None, other: Position | None) -> int:
    """Whole minutes on the road between two sites."""
    if one is None or other is None:
        return MINUTES_UNKNOWN_WAY
    return ceil(great_circle_km(one, other) * ROAD_FACTOR / KM_PER_HOUR * 60)


def usual_minutes(taken: Sequence[int], units: int) -> int:
    """What a visit takes: the median of the last ones, in whole minutes; by the number of units where none was timed."""
    timed = [minutes for minutes in taken if minutes > 0]
    return ceil(median(timed)) if timed else MINUTES_A_SITE + MINUTES_A_UNIT * units


def propose(
    candidates: Sequence[Candidate], *, begins: int, ends: int, last: Candidate | None = None
) -> Proposal:
    """Fill a day from ``begins`` to ``ends`` with candidates, the worst first in the order given.

    One that no longer fits is left over, and a shorter one after it may still fit. The order starts with the worst
    (or, after the crew's ``last`` visit, the nearest to it) and goes on to the nearest of the rest.
    """
    chosen: list[Candidate] = []
    slots: list[Slot] = []
    left_over: list[UUID] = []
    on_site = 0
    for one in candidates:
        # Without the ways it is too long already: no order needs to be tried.
        longer = _timed([*chosen, one], begins, last) if begins + on_site + one.minutes <= ends else None
        if longer is None or longer[-1].begins + longer[-1].minutes > ends:
            left_over.append(one.site_id)
            continue
        chosen.append(one)
        slots = longer
        on_site += one.minutes
    return Proposal(slots, left_over)


def _timed(chosen: Sequence[Candidate], begins: int, last: Candidate | None) -> list[Slot]:
    slots: list[Slot] = []
    at, here = begins, last
    for one in _nearest_next(chosen, last):
        way = way_minutes(here.position, one.position) if here else 0
        slots.append(Slot(one.site_id, at + way, one.minutes, way))
        at, here = at + way + one.minutes, one
    return slots


def _nearest_next(chosen: Sequence[Candidate], last: Candidate | None) -> list[Candidate]:
    rest = list(chosen)
    ordered = [] if last else [rest.pop(0)]
    here = last or ordered[0]
    while rest:
        ways = [way_minutes(here.position, one.position) for one in rest]
        here = rest.pop(ways.index(min(ways)))  # equals stay in the order of need
        ordered.append(here)
    return ordered


@dataclass(frozen=True, slots=True)
class Timed:
    """A visit of a round as its times are reckoned; ``begins`` None while nobody has said when."""

    begins: int | None
    minutes: int
    position: Position | None


def swapped(visits: Sequence[Timed], first: int) -> list[int]:
    """When each visit begins once the one at ``first`` and the next have changed places; ``visits`` in their old order.

    The later one takes the other's time and the other follows it. What comes after stays, unless it would begin
    before the crew can be there. The times are in the new order.
    """
    order = [*visits[:first], visits[first + 1], visits[first], *visits[first + 2 :]]
    times: list[int] = []
    for place, one in enumerate(order):
        before = order[place - 1] if place else None
        ready = (
            times[-1] + before.minutes + way_minutes(before.position, one.position) if before else DAY_BEGINS
        )
        old = visits[place].begins
        if place == first + 1 or old is None:
            times.append(ready)
        elif place <= first:
            times.append(old)
        else:
            times.append(max(old, ready))
    return [min(at, LAST_MINUTE) for at in times]


def reason(harm: SiteHarm) -> str:
    """The gravest reason to go to a site, in a few words; empty where nothing asks for a visit."""
    said = _urgent(harm)
    if said:
        return said
    if harm.late:
        return _n("{count} unit past grace", "{count} units past grace", harm.late)
    if harm.not_admitted:
        return _("the last crew was not admitted")
    if harm.other_reports:
        return _n("{count} open report", "{count} open reports", harm.other_reports)
    if harm.due_on is not None and harm.in_grace:
        return _n(
            "{count} unit due on {day}",
            "{count} units due on {day}",
            harm.in_grace,
            day=said_day(harm.due_on),
        )
    return ""


def _urgent(harm: SiteHarm) -> str:
    if harm.is_safety:
        return _("a leak or a chemical: go there first")
    if harm.out and harm.out_since:
        return _n(
            "{count} unit dry since {day}",
            "{count} units dry since {day}",
            harm.out,
            day=said_day(harm.out_since),
        )
    if harm.soon and harm.soon_on:
        return _n(
            "{count} unit dry from {day} on",
            "{count} units dry from {day} on",
            harm.soon,
            day=said_day(harm.soon_on),
        )
    if harm.off:
        return _n(
            "{count} unit with an output that is off", "{count} units with an output that is off", harm.off
        )
    return ""
