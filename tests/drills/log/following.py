"""Phones upload at once, some twice, some give up half-way, while a reader follows the log: it must miss nothing."""

from __future__ import annotations

import random
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import UUID

from django.db import connections, transaction

from accounts import clock, tenancy
from accounts.commands import operators
from accounts.errors import Busy
from accounts.ids import uuid7
from accounts.permissions import Actor, ActorKind, Role
from fleet import commands as fleet_commands
from servicing import log
from servicing.commands.uploads import upload_events
from tests.cast import Cast, new_cast

SEED = 20_261
WRITERS = 8


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 8 phones with 5,000 events each; else 300 each."""
    cast = new_cast("drill", units=8)
    accepted: set[UUID] = set()
    busy: list[int] = []
    seen: list[UUID] = []
    writing = threading.Event()
    reader = threading.Thread(target=_follow, args=(cast, writing, seen))
    reader.start()
    print(f"drill: {WRITERS} phones write, one reader follows", file=sys.stderr)
    with ThreadPoolExecutor(WRITERS) as pool:
        for ids, waits in pool.map(lambda n: _phone(cast, n, 5_000 if full else 300), range(WRITERS)):
            accepted |= ids
            busy.append(waits)
    writing.set()
    reader.join()
    missed, repeated = len(accepted - set(seen)), len(seen) - len(set(seen))
    unknown = len(set(seen) - accepted)
    yield {
        "name": "log.follow",
        "figures": {
            "accepted": len(accepted),
            "seen": len(seen),
            "missed": missed,
            "repeated": repeated,
            "unknown": unknown,
            "asked_to_wait": sum(busy),
        },
        "target": "0 missed, 0 repeated, 0 unknown",
        "ok": len(accepted) > 0 and missed == repeated == unknown == 0,
        "seed": SEED,
    }


def _phone(cast: Cast, number: int, count: int) -> tuple[set[UUID], int]:
    """One phone's uploads: shuffled, a third of them sent twice, now and then a transaction that never commits."""
    draw = random.Random(SEED + number)
    device, _ = operators.register_device(actor=cast.owner, crew_id=cast.crew.id, label=f"Drill {number}")
    actor = Actor(cast.operator.id, ActorKind.DEVICE, Role.CREW_MEMBER, device.id, device.label, cast.crew.id)
    unit = fleet_commands.print_labels(actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=1)[0]
    events = [cast.event("wick.checked", unit, condition="good") for _ in range(count)]
    for sequence, event in enumerate(events, start=1):
        event["device_sequence"] = sequence
    draw.shuffle(events)
    accepted: set[UUID] = set()
    waits = 0
    position = 0
    while position < len(events):
        size = draw.randint(1, 150)
        batch = events[position : position + size]
        try:
            for _ in range(draw.choice((1, 1, 2))):
                fates = upload_events(actor=actor, events=batch)
                accepted |= {UUID(fate.id) for fate in fates if fate.fate in {"accepted", "duplicate"}}
        except Busy:
            waits += 1
            continue
        if draw.random() < 0.2:
            _abandon(actor, unit.id, draw)
        position += size
    connections.close_all()
    return accepted, waits


def _abandon(actor: Actor, unit_id: UUID, draw: random.Random) -> None:
    """Append under the operator's lock, wait a moment with the drawn position, and roll back."""
    now = clock.now()
    event = log.NewEvent(
        event_id=uuid7(now),
        device_id=actor.id or unit_id,
        device_sequence=2**40 + draw.randrange(2**30),
        subject_kind="unit",
        subject_id=unit_id,
        type="wick.washed",
        schema_version=1,
        occurred_at=now,
        received_at=now,
        actor_kind=str(actor.kind),
        actor_id=actor.id,
        payload={},
    )
    with tenancy.writing(actor, lock_timeout_ms=0):
        log.append([event])
        time.sleep(draw.random() / 50)
        transaction.set_rollback(True)


def _follow(cast: Cast, writing: threading.Event, seen: list[UUID]) -> None:
    position = 0
    last_look = False
    while True:
        with tenancy.reading(cast.owner):
            rows = log.events_after(position, limit=500)
        seen += [row.event_id for row in rows]
        if rows:
            position = rows[-1].position
        elif last_look:
            break
        last_look = writing.is_set() and not rows
    connections.close_all()
