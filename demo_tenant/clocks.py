"""A phone whose clock runs ahead for a day: what it made then waits at the server until it is replaced."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime, timedelta
from uuid import UUID

from demo_tenant.records import Record
from demo_tenant.setting import Setting

AHEAD_BY = timedelta(hours=31)
AHEAD_BEFORE_DAYS = 9
REPLACED_AFTER = timedelta(hours=24)


def with_fast_clock(records: list[Record], corrected: Iterable[UUID], setting: Setting) -> list[Record]:
    """One crew's day late in the world, written under a clock that is 31 hours ahead; the next day it is put right.

    All but the day's last visit is replaced, so that one still waits when the world ends. ``corrected`` are events that
    the office undoes: a day with any correction in it is left alone.
    """
    day = _quiet_day(records, {*corrected, *(r.corrects for r in records if r.corrects)}, setting)
    if day is None:
        return records
    last_visit = day[-1].visit_id
    stream = setting.stream("fast-clock", 0)
    fast = {r.id: replace(r, occurred_at=r.occurred_at + AHEAD_BY) for r in day}
    again = [
        replace(
            r, id=stream.uuid7(r.made_at + REPLACED_AFTER), made_at=r.made_at + REPLACED_AFTER, corrects=r.id
        )
        for r in day
        if r.visit_id != last_visit
    ]
    return [fast.get(r.id, r) for r in records] + again


def _quiet_day(records: list[Record], corrections: set[UUID | None], setting: Setting) -> list[Record] | None:
    """The latest day of the first crew, some days before the end, with several visits and no correction in it."""
    days: dict[date, list[Record]] = defaultdict(list)
    latest = setting.span.as_of - timedelta(days=AHEAD_BEFORE_DAYS)
    for record in records:
        day = _day(record.made_at, setting)
        if record.crew == 0 and day <= latest:
            days[day].append(record)
    for day in sorted(days, reverse=True):
        made = sorted(days[day], key=lambda r: (r.made_at, str(r.id)))
        quiet = all(r.corrects is None and r.id not in corrections for r in made)
        if quiet and len({r.visit_id for r in made}) > 1:
            return made
    return None


def _day(at: datetime, setting: Setting) -> date:
    return at.astimezone(setting.zone).date()
