"""One operator's whole crew at once: eight phones come back from a dead zone while the office records single events.

The office goes through ``office.record_events`` every few milliseconds for as long as the phones upload. Its waiting is
told in slices: the 95th percentile of one event's time, by the median time of one phone's slice of 100 with nobody else
there, in the same round. Busy answers are counted and sent again, as a phone does; afterwards every event must be there.
"""

from __future__ import annotations

import multiprocessing
import statistics
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connections

from accounts import tenancy
from accounts.commands import operators
from accounts.errors import Busy
from accounts.permissions import Actor, ActorKind
from fleet import commands as fleet_commands
from servicing import log
from servicing.commands.office import record_events
from servicing.commands.rebuilds import check
from servicing.commands.uploads import SLICE, upload_events
from tests.cast import Cast, new_cast

ROUNDS = 3
PHONES = 8
TARGET = 8  # slices that the office waits at most, at the 95th percentile
PAUSE_SECONDS = 0.005  # between two entries of the office
STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)

# Each phone's uploads in one round, in events.
SIZES = (500, 140, 260, 320, 180, 420, 500, 140)

_context = multiprocessing.get_context("fork")


@dataclass(frozen=True, slots=True)
class _Phone:
    actor: Actor
    events: list[dict[str, Any]]


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: each phone comes back with five such uploads; else with one."""
    del servers
    rounds = [_round(number, uploads=5 if full else 1) for number in range(ROUNDS)]
    ratios = [one["office_p95_ms"] / one["slice_alone_ms"] for one in rounds]
    busy, lost = sum(one["busy"] for one in rounds), sum(one["lost"] for one in rounds)
    yield {
        "name": "log.hot_operator",
        "value": round(statistics.median(one["office_p95_ms"] for one in rounds), 1),
        "unit": "ms, p95 of one event of the office",
        "figures": rounds,
        "against": "the median time of one slice of 100 alone",
        "ratio": round(statistics.median(ratios), 2),
        "ratios": [round(ratio, 2) for ratio in ratios],
        "target": TARGET,
        "ok": statistics.median(ratios) <= TARGET and lost == 0,
        "busy": busy,
        "lost": lost,
        "rounds": ROUNDS,
        "n": sum(one["events"] for one in rounds),
    }


def _round(number: int, *, uploads: int) -> dict[str, Any]:
    cast = new_cast("hot", units=40)
    alone = _Phone(cast.crew_phone, _events(cast, 10 * SLICE, first=0))
    phones = [_phone(cast, place, size * uploads) for place, size in enumerate(SIZES)]
    slices = [
        _timed(alone.actor, alone.events[start : start + SLICE]) for start in range(0, 10 * SLICE, SLICE)
    ]
    connections.close_all()  # a forked process must not share one
    answers = _context.Queue()
    processes = [_context.Process(target=_come_back, args=(phone, answers)) for phone in phones]
    office = _Office(cast)
    for process in processes:
        process.start()
    office.start()
    busy = sum(answers.get(timeout=300) for _ in processes)
    office.over.set()
    office.join()
    for process in processes:
        process.join()
    sent = {UUID(event["id"]) for phone in (alone, *phones) for event in phone.events} | office.ids
    with tenancy.reading(cast.owner):
        stored = {row.event_id for page in log.pages_after(0) for row in page}
    wrong = check(cast.operator.id)
    assert not wrong, wrong[:3]
    waits = sorted(office.waits)
    figures = {
        "slice_alone_ms": round(statistics.median(slices) * 1_000, 2),
        "office_p95_ms": round(waits[int(len(waits) * 0.95)] * 1_000, 2),
        "office_median_ms": round(statistics.median(waits) * 1_000, 2),
        "office_events": len(waits),
        "events": len(sent),
        "busy": busy + office.busy,
        "lost": len(sent - stored),
    }
    print(f"bench: round {number + 1} of {ROUNDS}: {figures}", file=sys.stderr)
    return figures


def _phone(cast: Cast, place: int, count: int) -> _Phone:
    device, _ = operators.register_device(
        actor=cast.owner, crew_id=cast.crew.id, label=f"Phone of crew {place}"
    )
    return _Phone(
        replace(cast.crew_phone, id=device.id, name=device.label), _events(cast, count, first=place + 1)
    )


def _events(cast: Cast, count: int, *, first: int) -> list[dict[str, Any]]:
    """A phone's day after day at units of its own: installed, then an exchange, a wick check and a level each time."""
    units = fleet_commands.print_labels(
        actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=max(1, count // 20)
    )
    events = [
        cast.installed(unit, STARTED + timedelta(seconds=n), station=(first + n) % len(cast.stations))
        for n, unit in enumerate(units)
    ]
    day = 0
    while len(events) < count:
        day += 3
        for n, unit in enumerate(units):
            at = STARTED + timedelta(days=day, seconds=n * 4)
            events += [
                cast.exchanged(unit, at),
                cast.event("wick.checked", unit, at + timedelta(seconds=1), condition="good"),
                cast.event(
                    "level.read", unit, at + timedelta(seconds=2), cartridge_left_ml=280, reservoir_ml=20
                ),
            ]
    return events[:count]


def _timed(actor: Actor, events: list[dict[str, Any]]) -> float:
    began = time.perf_counter()
    fates = upload_events(actor=actor, events=events)
    took = time.perf_counter() - began
    assert {fate.fate for fate in fates} == {"accepted"}
    return took


def _come_back(phone: _Phone, answers: Any) -> None:
    """In a process of its own: send uploads of at most 500, and each again after Busy, until all are taken."""
    busy = 0
    for start in range(0, len(phone.events), 500):
        while True:
            try:
                upload_events(actor=phone.actor, events=phone.events[start : start + 500])
                break
            except Busy:
                busy += 1
    connections.close_all()
    answers.put(busy)


class _Office(threading.Thread):
    """A person who records one event after the other, each at a unit that hangs already."""

    def __init__(self, cast: Cast) -> None:
        super().__init__()
        self.cast, self.over = cast, threading.Event()
        self.waits: list[float] = []
        self.ids: set[UUID] = set()
        self.busy = 0
        assert cast.dispatcher.kind is ActorKind.MEMBER

    def run(self) -> None:
        while not self.over.is_set():
            began = time.perf_counter()
            try:
                fates = record_events(
                    actor=self.cast.dispatcher,
                    events=[
                        {
                            "type": "report.received",
                            "subject": {"kind": "unit", "id": str(self.cast.unit.id)},
                            "payload": {"kind": "odour"},
                        }
                    ],
                )
                self.ids.add(UUID(fates[0].id))
            except Busy:
                self.busy += 1
            self.waits.append(time.perf_counter() - began)
            time.sleep(PAUSE_SECONDS)
        connections.close_all()
