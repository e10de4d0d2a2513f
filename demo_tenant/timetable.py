"""Gives every arrival a crew and an hour: each crew's day starts at seven and goes round the depot."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from demo_tenant.masterdata import MasterData
from demo_tenant.rounds import DAY, PlannedVisit, Purpose, working_day
from demo_tenant.setting import Setting

DRIVE_MINUTES = 12
DAY_MINUTES = 11 * 60
PER_SITE, PER_ROOM, PER_UNIT = 10, 2, 2.8
PER_UNIT_FITTED, PER_UNIT_TAKEN_OVER = 20, 4
NOT_ADMITTED_MINUTES = 8
SUBSTITUTE = 0.04


@dataclass(frozen=True, slots=True)
class Arrival:
    """A visit with its crew (by number), its start (aware UTC) and how long it takes."""

    visit: PlannedVisit
    crew: int
    starts_at: datetime
    minutes: int


def timetable(visits: Iterable[PlannedVisit], master: MasterData, setting: Setting) -> list[Arrival]:
    """Arrivals in order of their start; what does not fit into a crew's day moves to its next working day."""
    waiting: dict[tuple[date, int], list[PlannedVisit]] = defaultdict(list)
    for visit in visits:
        waiting[visit.day, crew_of(visit, master, setting)].append(visit)
    days = list(waiting)
    heapq.heapify(days)
    arrivals: list[Arrival] = []
    while days:
        day, crew = heapq.heappop(days)
        done, moved = _crew_day(day, crew, waiting.pop((day, crew)), setting)
        arrivals += done
        if moved:
            later = (working_day(day + DAY, 1), crew)
            if later not in waiting:
                heapq.heappush(days, later)
            waiting[later] += moved
    arrivals = [a for a in arrivals if a.starts_at + timedelta(minutes=a.minutes) < setting.span.ends_at]
    return sorted(arrivals, key=lambda a: (a.starts_at, a.visit.site.index, a.visit.number))


def crew_of(visit: PlannedVisit, master: MasterData, setting: Setting) -> int:
    """The site's usual crew; in its months every second site has the seasonal one; at times another stands in."""
    stream = setting.stream("crew-of", f"{visit.site.index}|{visit.number}")
    seasonal = [i for i, crew in enumerate(master.crews) if visit.day.month in crew.only_months]
    if seasonal and visit.site.index % 2 == 1:
        return seasonal[0]
    regular = [i for i, crew in enumerate(master.crews) if not crew.only_months]
    return stream.pick(regular) if stream.chance(SUBSTITUTE) else visit.site.crew


def minutes_of(visit: PlannedVisit) -> int:
    """How long the arrival takes, the drive left out."""
    if visit.purpose is Purpose.CALLED_OFF:
        return 0
    if visit.purpose is Purpose.NOT_ADMITTED:
        return NOT_ADMITTED_MINUTES
    units = len(visit.site.stations) - len(visit.left_out) if visit.only is None else len(visit.only)
    rooms = len(visit.site.restrooms) if visit.only is None else 1
    per_unit = {Purpose.INSTALL: PER_UNIT_FITTED, Purpose.TAKE_OVER: PER_UNIT_TAKEN_OVER}.get(
        visit.purpose, PER_UNIT
    )
    return round(PER_SITE + PER_ROOM * rooms + per_unit * units)


def _crew_day(
    day: date, crew: int, visits: list[PlannedVisit], setting: Setting
) -> tuple[list[Arrival], list[PlannedVisit]]:
    stream = setting.stream("crew-day", f"{crew}|{day}")
    start = datetime.combine(day, time(7), tzinfo=setting.zone) + timedelta(minutes=stream.whole(0, 20))
    clock = 0
    done: list[Arrival] = []
    moved: list[PlannedVisit] = []
    for visit in sorted(
        visits, key=lambda v: (v.purpose is not Purpose.CALLED_OFF, v.site.bearing, v.site.index, v.number)
    ):
        minutes = minutes_of(visit)
        if done and clock + minutes > DAY_MINUTES:
            moved.append(visit)
            continue
        seconds = clock * 60 + stream.whole(0, 59)
        starts_at = (start + timedelta(seconds=seconds)).astimezone(setting.span.ends_at.tzinfo)
        done.append(Arrival(visit, crew, starts_at, minutes))
        clock += minutes + (DRIVE_MINUTES if minutes else 0) + stream.whole(0, 4)
    return done, moved
