"""Which day each site is visited: due days, late and lost days, refused doors. No unit's inside is looked at here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

from dateutil.relativedelta import relativedelta

from demo_tenant.masterdata import SitePlan
from demo_tenant.places import GRACE_BEFORE_DAYS
from demo_tenant.setting import Setting
from demo_tenant.streams import Stream

DAY = timedelta(days=1)
NOT_ADMITTED = 0.04
NOT_ADMITTED_TRANSIT = 0.07
PART_SERVED = 0.02
COMES_BACK = 0.5
FALLS_BEHIND = 0.09
ALWAYS_BEHIND = 3  # so that every operator has one, however small
LEFT_BEHIND = timedelta(days=27)
LAPSES = 0.04  # of the regular due days: a month in which nobody came
BLEACH_GONE_DAYS = 14
REASONS = (
    ("closed", 0.3),
    ("nobody_to_admit", 0.3),
    ("room_occupied", 0.15),
    ("key_missing", 0.2),
    ("refused", 0.05),
)


class Purpose(StrEnum):
    TAKE_OVER = "take_over"
    INSTALL = "install"
    SERVICE = "service"
    COME_BACK = "come_back"
    WITHDRAW = "withdraw"
    NOT_ADMITTED = "not_admitted"
    CALLED_OFF = "called_off"


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """One arrival at a site on a day; ``left_out`` are the stations nobody gets to, by their number in the site."""

    site: SitePlan
    number: int
    day: date
    purpose: Purpose
    reason: str = ""
    left_out: frozenset[int] = frozenset()
    only: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class Pause:
    """A standstill from ``starts_on`` to its last day ``ends_on``."""

    starts_on: date
    ends_on: date

    def holds(self, day: date) -> bool:
        return self.starts_on <= day <= self.ends_on


def pauses_of(site: SitePlan, setting: Setting) -> list[Pause]:
    """The standstills of a school or a beach house that touch the world's span and its agreement."""
    years = range(setting.span.first_day.year - 1, setting.span.as_of.year + 2)
    all_of_them: list[Pause] = []
    for year in years:
        if site.kind == "school":
            all_of_them.append(Pause(date(year, 6, 15), date(year, 8, 20)))
            all_of_them.append(Pause(date(year, 12, 21), date(year + 1, 1, 3)))
        elif site.kind == "beach":
            all_of_them.append(Pause(date(year, 11, 1), date(year + 1, 4, 1) - DAY))
    agreement = site.agreement
    last = agreement.ends_on or setting.span.as_of + timedelta(days=400)
    first = max(agreement.starts_on, setting.span.first_day)
    return [p for p in all_of_them if p.ends_on >= first and p.starts_on < last]


def working_day(day: date, step: int = 0) -> date:
    """The day itself from Monday to Friday; else the next one in the direction ``step``, by default the nearer."""
    if day.weekday() < 5:
        return day
    if step == 0:
        step = -1 if day.weekday() == 5 else 1
    return day + timedelta(days=7 - day.weekday()) if step > 0 else day - timedelta(days=day.weekday() - 4)


def due_days(site: SitePlan, pauses: list[Pause], until: date) -> Iterator[date]:
    """Regular due days outside every standstill, and each standstill's last day, in order."""
    anchor = site.agreement.anchor_on
    count = 0
    while (due := anchor + relativedelta(months=count * site.agreement.interval_months)) <= until:
        count += 1
        before = anchor + relativedelta(months=(count - 2) * site.agreement.interval_months)
        yield from (p.ends_on for p in pauses if before < p.ends_on <= due and p.ends_on >= anchor)
        if not any(p.holds(due) for p in pauses):
            yield due


def snow_days(setting: Setting) -> frozenset[date]:
    """Three days on which no van moves, in the world's last January; none for most operators."""
    if not setting.plan.snow:
        return frozenset()
    as_of = setting.span.as_of
    second = date(as_of.year, 1, 8)
    monday = second + timedelta(days=-second.weekday() % 7)
    return frozenset(monday + timedelta(days=n) for n in range(3))


class SiteRounds:
    """Draws one site's arrivals in order."""

    def __init__(self, site: SitePlan, setting: Setting) -> None:
        self.site = site
        self.setting = setting
        self.pauses = pauses_of(site, setting)
        self.snow = snow_days(setting)
        self.stream = setting.stream("rounds", site.index)
        self.visits: list[PlannedVisit] = []

    def plan(self) -> list[PlannedVisit]:
        """Every arrival at the site up to the world's last day."""
        as_of, ends_on = self.setting.span.as_of, self.site.agreement.ends_on
        last = self._begin()
        limit = min(as_of + timedelta(days=31), ends_on - DAY if ends_on else date.max)
        for due in due_days(self.site, self.pauses, limit):
            if due - timedelta(days=GRACE_BEFORE_DAYS) > last and not self._lapses(due):
                last = self._serve(due, last)
        if ends_on is not None:
            self._add(max(working_day(ends_on - DAY, -1), last + DAY), Purpose.WITHDRAW)
        in_time = [v for v in self.visits if v.day <= as_of and (ends_on is None or v.day <= ends_on)]
        return [replace(visit, number=number) for number, visit in enumerate(in_time)]

    def _begin(self) -> date:
        span, site = self.setting.span, self.site
        taken_over = site.agreement.starts_on < span.first_day
        day = span.first_day if taken_over else site.agreement.starts_on
        if taken_over:
            day = next(
                d for d in due_days(site, self.pauses, day + timedelta(days=400)) if d >= span.first_day
            )
        else:
            day = next((p.ends_on for p in self.pauses if p.holds(day)), day)
        day = working_day(day, 1)
        self._add(day, Purpose.TAKE_OVER if taken_over else Purpose.INSTALL)
        if site.uses_bleach:
            acid = frozenset(n for n, station in enumerate(site.stations) if station.takes_acid)
            self._add(working_day(day + timedelta(days=BLEACH_GONE_DAYS), 1), Purpose.INSTALL, only=acid)
        return day

    def _lapses(self, due: date) -> bool:
        """Now and then a crew is short of hands and a regular due day passes; a re-opening never does."""
        if any(pause.ends_on == due for pause in self.pauses):
            return False
        return self.setting.stream("lapse", f"{self.site.index}|{due}").chance(LAPSES)

    def _serve(self, due: date, last: date) -> date:
        draw = self.stream
        reopens = next((p for p in self.pauses if p.ends_on == due), None)
        error = max(-5, min(4, round(-2 + 2 * draw.normal()))) if reopens else lateness_days(draw)
        day = working_day(due + timedelta(days=error))
        shut = next((p for p in self.pauses if p.holds(day) and p is not reopens), None)
        if shut is not None:
            day = working_day(shut.starts_on - DAY, -1)
            if day <= last:
                return last
        if self._is_left_behind(due):
            day = due + LEFT_BEHIND
        day = self._get_in(max(day, last + DAY))
        self._add(day, Purpose.SERVICE, left_out=self._left_out(day))
        return day

    def _is_left_behind(self, due: date) -> bool:
        """In the last weeks the crews fall behind: some sites are not reached before the world ends."""
        back = (self.setting.span.as_of - due).days
        stream = self.setting.stream("left-behind", f"{self.site.index}|{due}")
        return 4 <= back <= 24 and (stream.chance(FALLS_BEHIND) or self.site.index == ALWAYS_BEHIND)

    def _get_in(self, day: date) -> date:
        """The first day from ``day`` on that the door opens; each vain try becomes a visit of its own."""
        draw = self.stream
        refused = NOT_ADMITTED_TRANSIT if self.site.kind == "transit" else NOT_ADMITTED
        for _ in range(3):
            if day in self.snow:
                self._add(day, Purpose.CALLED_OFF, "weather")
            elif draw.chance(refused):
                self._add(day, Purpose.NOT_ADMITTED, draw.weighted(REASONS))
            else:
                break
            day = working_day(day + timedelta(days=draw.whole(2, 5)), 1)
        return day

    def _left_out(self, day: date) -> frozenset[int]:
        draw, stations = self.stream, len(self.site.stations)
        if not draw.chance(PART_SERVED) or stations < 3:
            return frozenset()
        first = draw.whole(0, stations - 2)
        missed = frozenset(range(first, min(stations, first + 1 + draw.whole(0, 1))))
        if draw.chance(COMES_BACK):
            again = working_day(day + timedelta(days=draw.whole(2, 5)), 1)
            self._add(again, Purpose.COME_BACK, only=missed)
        return missed

    def _add(
        self,
        day: date,
        purpose: Purpose,
        reason: str = "",
        left_out: frozenset[int] = frozenset(),
        only: frozenset[int] | None = None,
    ) -> None:
        self.visits.append(PlannedVisit(self.site, 0, day, purpose, reason, left_out, only))
        self.visits.sort(key=lambda visit: visit.day)


def lateness_days(draw: Stream) -> int:
    """Days from the due day to the visit: mostly within three, with two tails of forgotten and lost weeks."""
    z, tail = draw.normal(), draw.draw()
    late = 1 + 2.2 * z + (8 if tail < 0.02 else 3 if tail < 0.08 else 0)
    return max(-2, min(20, round(late)))
