"""A clock that ticks twice, or not at all for three days, around the days on which clocks change: no alert is missing, none doubled.

For each zone and day an operator with units that fall due, and others that are soon dry, on the day before it, on it and after it. Three times the same
days are played by the product's own tick, relay and sweep: by one beat, by two beats half a minute apart, and by one that
stands from a day and a half before the change until as long after it. Which alerts there must be is said by the first of
them, and by the zone's own midnights (the standard library's zoneinfo over the IANA rules) when each must have opened.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import psycopg

from accounts import clock, jobs
from accounts.commands import customers
from accounts.commands.clockwork import SWEEP, owe_what_is_due
from accounts.tenancy import reading
from fleet import commands as fleet
from servicing.commands import sweeps
from servicing.models import Alert
from tests.cast import Cast, new_cast
from tests.drills.workers.crowd import say

# The days on which clocks change, of the IANA rules (tzdata); Lord Howe changes by half an hour, Kolkata never, and Apia
# had no 30 December 2011 at all.
CHANGES = (
    ("Europe/Berlin", date(2026, 3, 29)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Pacific/Apia", date(2011, 12, 30)),
    ("Asia/Kolkata", date(2026, 3, 29)),
    ("Europe/Berlin", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
    ("Pacific/Apia", date(2026, 3, 29)),
)
AROUND = timedelta(days=3)
OFF = timedelta(hours=36)
BETWEEN = timedelta(hours=4)
OFFSETS = (-1, 0, 1)
# By the service rules that ship: the window opens so many days before the due day, and a unit filled with 280 mL at 8 mL a
# day is dry soon after so many.
OPENS_BEFORE, DRY_SOON_AFTER = 5, 32
# Filled so many days before, a unit is due next in the window that opens then, and dry only after it.
DUE_AFTER = 20
TARGET = "0 missed, 0 doubled, each opened by the first tick of its day in the zone"

Key = tuple[str, int, date]


@dataclass
class Played:
    """What one beat left: the alerts with when each opened, in which turns, and which stand at the end."""

    opened_at: dict[Key, datetime] = field(default_factory=dict)
    turns: dict[Key, set[int]] = field(default_factory=dict)
    standing: set[Key] = field(default_factory=set)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: all nine changes, around midnight a tick every minute; else three of them and every twenty minutes."""
    step = timedelta(minutes=1 if full else 20)
    changes = CHANGES if full else CHANGES[1:4]
    missed = doubled = late = alerts = on_the_day = caught_up = 0
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        for zone, day in changes:
            say(f"{zone}, {day}")
            steady, twice, stopped = (
                _played(superuser, zone, day, step, beats=beats, is_off=is_off)
                for beats, is_off in ((1, False), (2, False), (1, True))
            )
            for other in (twice, stopped):
                missed += len(steady.opened_at.keys() - other.opened_at.keys()) + len(
                    steady.standing ^ other.standing
                )
                doubled += len(other.opened_at.keys() - steady.opened_at.keys())
            doubled += sum(len(turns) - 1 for one in (steady, twice, stopped) for turns in one.turns.values())
            seen = [
                (key, at)
                for one in (steady, twice)
                for key, at in one.opened_at.items()
                if abs(key[2] - day) < AROUND
            ]
            late += sum(_is_late(key, at, zone, step) for key, at in seen)
            alerts += len(seen) // 2
            on_the_day += sum(first == day for _kind, _unit, first in steady.opened_at)
            caught_up += len(steady.opened_at.keys() - steady.standing)
    clock.set_to(None)
    yield {
        "name": "workers.clocks",
        "figures": {
            "changes": len(changes),
            "tick_minutes_at_midnight": step.seconds // 60,
            "alerts": alerts,
            "alerts_on_the_day_of_a_change": on_the_day,
            "alerts_over_by_the_end": caught_up,
            "missed": missed,
            "doubled": doubled,
            "opened_late": late,
        },
        "target": TARGET,
        "ok": missed == doubled == late == 0
        and alerts >= len(OFFSETS) * len(changes)
        and on_the_day >= len(changes),
    }


def _played(
    superuser: psycopg.Connection[Any], zone: str, day: date, step: timedelta, *, beats: int, is_off: bool
) -> Played:
    """The days around a change, tick by tick, on an operator of their own."""
    superuser.execute("DELETE FROM accounts_job")
    change = datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC)
    clock.set_to(change - timedelta(days=150))
    cast = new_cast("clock", zone=zone, units=2 * len(OFFSETS))
    units = _filled(cast, day)
    played = Played()
    for instant in _instants(change, zone, step):
        if not (is_off and abs(instant - change) < OFF):
            for beat in range(beats):
                _tick(cast, instant + beat * timedelta(seconds=30))
            _note(cast, units, played)
    return played


def _instants(change: datetime, zone: str, step: timedelta) -> list[datetime]:
    """When beat ticks: every few hours, and step by step around each midnight of the zone."""
    hours = {change - AROUND + n * BETWEEN for n in range(2 * AROUND // BETWEEN)}
    first = (change - AROUND).astimezone(ZoneInfo(zone)).date()
    midnights = [
        datetime.combine(first + timedelta(days=n), time(), ZoneInfo(zone)).astimezone(UTC)
        for n in range(2 * AROUND.days + 1)
    ]
    return sorted(hours | {at + n * step for at in midnights for n in range(-2, 4)})


def _tick(cast: Cast, instant: datetime) -> None:
    """What beat, relay and worker do in a minute; only this operator's sweeps are done."""
    clock.set_to(instant)
    owe_what_is_due()
    clock.set_to(instant + timedelta(seconds=50))
    for job in jobs.claim_due(1_000_000):
        if (job.operator_id, job.kind) == (cast.operator.id, SWEEP):
            sweeps.run_sweep(job.operator_id, job.id)


def _note(cast: Cast, units: dict[Any, int], played: Played) -> None:
    with reading(cast.owner):
        rows = list(Alert.objects.order_by("first_day"))
    for row in rows:
        key = (row.kind, units[row.unit_id], row.first_day)
        played.opened_at.setdefault(key, row.opened_at)
    played.standing = {(row.kind, units[row.unit_id], row.first_day) for row in rows if row.closed_at is None}
    for row in rows:
        # Each opening of a row has a turn of its own; one that opened again has another.
        played.turns.setdefault((row.kind, units[row.unit_id], row.first_day), set()).add(row.opened_turn)


def _filled(cast: Cast, day: date) -> dict[Any, int]:
    """Units that fall due and dry around a day, each at a site of its own; gives their numbers by their ids."""
    units = {}
    for number, (offset, before) in enumerate(itertools.product(OFFSETS, (DRY_SOON_AFTER, DUE_AFTER))):
        due_on = day + timedelta(days=offset + OPENS_BEFORE)
        site = customers.add_sites(
            actor=cast.owner,
            sites=[
                {
                    "customer_id": cast.customer.id,
                    "code": f"D{number}",
                    "name": f"House {number}",
                    "kind": "school",
                    "zone": cast.site.zone,
                }
            ],
        )[0]
        customers.add_agreements(
            actor=cast.owner,
            agreements=[
                {
                    "site_id": site.id,
                    "number": f"D{number}",
                    "anchor_on": _months_before(due_on, 12),
                    "starts_on": _months_before(due_on, 12),
                }
            ],
        )
        room = fleet.add_restrooms(
            actor=cast.owner, restrooms=[{"site_id": site.id, "name": "Ground floor"}]
        )[0]
        station = fleet.add_stations(
            actor=cast.owner, stations=[{"restroom_id": room.id, "name": "1", "fixture": "urinal"}]
        )[0]
        unit = cast.units[number]
        filled_on = day + timedelta(days=offset - before)
        nine = datetime.combine(filled_on, time(9), ZoneInfo(cast.site.zone))
        clock.set_to(nine.astimezone(UTC) + timedelta(minutes=1))
        event = cast.event(
            "unit.installed",
            unit,
            nine.astimezone(UTC),
            station_id=station.id,
            cartridge_id=cast.cartridge.id,
            charge_ml=280,
            wick="new",
        )
        assert [fate.fate for fate in cast.upload(event)] == ["accepted"]
        units[unit.id] = number
    return units


def _months_before(day: date, months: int) -> date:
    months_in_all = day.year * 12 + day.month - 1 - months
    return day.replace(year=months_in_all // 12, month=months_in_all % 12 + 1)


def _is_late(key: Key, opened_at: datetime, zone: str, step: timedelta) -> bool:
    """Whether an alert did not open by the first tick of its first day in the zone, which may be that of the first tick at all."""
    midnight = datetime.combine(key[2], time(), ZoneInfo(zone)).astimezone(UTC)
    return not midnight <= opened_at <= midnight + step + timedelta(minutes=1)
