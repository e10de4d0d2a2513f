"""Appending alone, without its fold: batches against COPY, the peer and bulk_create; one by one; the same again.

Ours is ``log.append`` in a Django transaction in the operator's scope: hashed, locked, a fate for each event. The limit
is one COPY of all the round's rows, as text made beforehand, by a superuser into a twin that grows with the log. The
peer saves the same events through its application's event store. Both have no policy, no foreign key and no hash.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from typing import Any
from uuid import UUID

import psycopg

from accounts import tenancy
from servicing import log
from servicing.log import NewEvent
from tests.benchmarks.log import peer
from tests.benchmarks.log.batches import Phone, copy_text, new_operator
from tests.benchmarks.log.crowd import Crowd
from tests.benchmarks.log.twins import BulkTwin, bulk_create, copy_into, make_twin
from tests.benchmarks.rounds import compared, interleave

ROUNDS = 3
COPY_TWIN = "log_twin_copy"
COPY = "COPY of the round's rows into a twin of the log"
PEER = "eventsourcing 9.5.6, its PostgreSQL recorder with its defaults"


@dataclass(frozen=True, slots=True)
class Sizes:
    """Events a round: in batches of 1,000, in batches of 100, one by one on one connection, one by one on eight."""

    thousands: int
    hundreds: int
    ones: int
    crowd: int


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 50,000 events a round in batches, 3,000 one by one."""
    sizes = Sizes(50_000, 50_000, 3_000, 24_000) if full else Sizes(4_000, 2_000, 150, 480)
    peer.make_database(servers.superuser_url)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        application = peer.open_application(servers.superuser_url)
        try:
            yield from _bulk(superuser, application, 1_000, sizes.thousands)
            yield from _bulk(superuser, application, 100, sizes.hundreds)
            yield from _one_by_one(application, sizes.ones)
        finally:
            application.close()
        yield from _again(superuser, sizes.hundreds)
    yield from _eight(servers.superuser_url, sizes.crowd)


def append(operator_id: UUID, events: Sequence[NewEvent]) -> None:
    with tenancy.operator_scope(operator_id, durable=True, lock_timeout_ms=2_000):
        fates = log.append(events)
    assert {fate.fate for fate in fates} == {"accepted"}


def _batches(events: Sequence[Any], size: int) -> list[Sequence[Any]]:
    return [events[start : start + size] for start in range(0, len(events), size)]


def _bulk(superuser: Any, application: Any, size: int, number: int) -> Iterator[dict[str, Any]]:
    operator_id, phone, positions = new_operator("bulk"), Phone(size), count(1)
    events = {n: phone.events(number if n >= 0 else size) for n in range(-1, ROUNDS)}
    texts = {n: copy_text(operator_id, events[n], positions=positions) for n in events}
    theirs = {n: peer.as_its_own(events[n], datetime.now(UTC)) for n in events}
    make_twin(superuser, COPY_TWIN)
    make_twin(superuser, BulkTwin.TABLE)

    def each(batches: Sequence[Any], store: Callable[[Any], Any]) -> None:
        for batch in batches:
            store(batch)

    sides: dict[str, Callable[[int], None]] = {
        "ours": lambda n: each(_batches(events[n], size), lambda batch: append(operator_id, batch)),
        "copy": lambda n: copy_into(superuser, COPY_TWIN, texts[n]),
        "peer": lambda n: each(_batches(theirs[n], size), application.events.put),
    }
    if size == 1_000:
        sides["bulk_create"] = lambda n: each(
            _batches(events[n], size), lambda b: bulk_create(operator_id, b)
        )
    speeds = interleave(sides, rounds=ROUNDS, count=number)
    ours, name = speeds["ours"], f"log.append_{size}"
    yield compared(name, ours, COPY, speeds["copy"], target=0.35 if size == 1_000 else 0.25, n=number)
    yield compared(name, ours, PEER, speeds["peer"], target=1.5 if size == 1_000 else 1.2, n=number)
    if "bulk_create" in speeds:
        against = "Django's bulk_create into a twin of the log"
        yield compared(name, ours, against, speeds["bulk_create"], target=3, n=number)


def _one_by_one(application: Any, number: int) -> Iterator[dict[str, Any]]:
    operator_id, phone = new_operator("ones"), Phone(1)
    events = {n: phone.events(number if n >= 0 else 20) for n in range(-1, ROUNDS)}
    theirs = {n: peer.as_its_own(events[n], datetime.now(UTC)) for n in events}

    def ours(n: int) -> None:
        for event in events[n]:
            append(operator_id, [event])

    def others(n: int) -> None:
        for event in theirs[n]:
            application.events.put([event])

    speeds = interleave({"ours": ours, "peer": others}, rounds=ROUNDS, count=number)
    yield compared("log.append_1", speeds["ours"], PEER, speeds["peer"], target=1.5, n=number)


def _again(superuser: Any, number: int) -> Iterator[dict[str, Any]]:
    """Batches of 100 for the first time and batches stored before, each of an operator of its own."""
    first_id, again_id, first, stored = new_operator("first"), new_operator("again"), Phone(2), Phone(3)
    new = {n: first.events(number if n >= 0 else 100) for n in range(-1, ROUNDS)}
    old = {n: stored.events(number if n >= 0 else 100) for n in range(-1, ROUNDS)}
    for events in old.values():
        for batch in _batches(events, 100):
            append(again_id, batch)

    def upload(n: int) -> None:
        for batch in _batches(new[n], 100):
            append(first_id, batch)

    def upload_again(n: int) -> None:
        for batch in _batches(old[n], 100):
            with tenancy.operator_scope(again_id, durable=True, lock_timeout_ms=2_000):
                fates = log.append(batch)
            assert {fate.fate for fate in fates} == {"duplicate"}

    before = _digest(superuser, again_id)
    speeds = interleave({"first": upload, "again": upload_again}, rounds=ROUNDS, count=number)
    after = _digest(superuser, again_id)
    line = compared(
        "log.append_again",
        speeds["again"],
        "the first upload of as many",
        speeds["first"],
        target=1,
        n=number,
    )
    unchanged = before == after
    yield {
        **line,
        "rows_written": after[0] - before[0],
        "log_unchanged": unchanged,
        "ok": line["ok"] and unchanged,
    }


def _digest(superuser: Any, operator_id: UUID) -> tuple[int, str]:
    """How many rows an operator's log has, and a hash over all of every row."""
    rows = superuser.execute(
        "SELECT count(*), encode(sha256(convert_to(string_agg(e::text, E'\\n' ORDER BY position), 'UTF8')), 'hex') "
        "FROM servicing_event e WHERE operator_id = %s",
        [operator_id],
    )
    number, digest = rows.fetchone()
    return number, digest


def _eight(superuser_url: str, number: int) -> Iterator[dict[str, Any]]:
    """One event a transaction by eight processes, each with a connection and an operator (or originator) of its own."""
    with Crowd(superuser_url, [new_operator(f"crowd{n}") for n in range(8)]) as crowd:
        each = number // crowd.size
        sides = {
            "ours": lambda n: crowd.go("ours", each if n >= 0 else 10),
            "peer": lambda n: crowd.go("peer", each if n >= 0 else 10),
        }
        speeds = interleave(sides, rounds=ROUNDS, count=each * crowd.size, before=lambda: crowd.prepare(each))
    yield compared("log.append_1_by_8", speeds["ours"], PEER, speeds["peer"], target=3, n=number)
