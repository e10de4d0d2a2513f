"""Eight writers append to four operators' logs, with aborted and long transactions, while readers follow: none may miss.

All the time two transactions that have written are held open, one in another database of the cluster and one in this
one, on another table: a reader that waits for every older transaction would see nothing until they end.
"""

from __future__ import annotations

import itertools
import random
import sys
import threading
import time
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import psycopg
from django.db import connections, transaction

from accounts import tenancy
from config import embedded
from servicing import log
from servicing.log import NewEvent
from tests.benchmarks.log.batches import Phone, new_operator

SEED = 20_261
WRITERS = 8
OPERATORS = 4
PAGE = 500
SIZES = (1, 1, 3, 10, 100)
SIZES_FULL = (*SIZES, 400, 1_000)
TARGET = (
    "0 missed, 0 repeated, 0 unknown; nothing unseen for half as long as the others' transactions stay open"
)


@dataclass
class Journal:
    """What writers and readers noted; a list's append is safe among threads."""

    # operator -> (commit seen by its writer, positions of the batch)
    committed: dict[UUID, list[tuple[float, list[int]]]] = field(default_factory=lambda: defaultdict(list))
    # operator -> (when read, positions of the page)
    read: dict[UUID, list[tuple[float, list[int]]]] = field(default_factory=lambda: defaultdict(list))
    aborted: list[int] = field(default_factory=list)
    held: list[float] = field(default_factory=list)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,000,000 events, 2 % of transactions held open for up to a second; else 5,000 and a tenth of it."""
    events = 1_000_000 if full else 5_000
    hold_seconds, sizes = (1.0, SIZES_FULL) if full else (0.1, SIZES)
    operators = [new_operator(f"follow{n}") for n in range(OPERATORS)]
    journal, writing = Journal(), threading.Event()
    for operator_id in operators:  # made before the threads, which then only look them up
        journal.committed[operator_id], journal.read[operator_id] = [], []
    print(f"drill: {WRITERS} writers, {OPERATORS} readers, {events:,} events", file=sys.stderr)
    began = time.perf_counter()
    with _open_transactions(servers), ThreadPoolExecutor(WRITERS + OPERATORS) as pool:
        readers = [pool.submit(_follow, operator_id, writing, journal) for operator_id in operators]
        writers = [
            pool.submit(_write, number, operators, events // WRITERS, (sizes, hold_seconds), journal)
            for number in range(WRITERS)
        ]
        try:
            for writer in writers:
                writer.result()
        finally:
            writing.set()
        for reader in readers:
            reader.result()
        seconds = time.perf_counter() - began
    yield _judged(journal, operators, seconds)


def _judged(journal: Journal, operators: list[UUID], seconds: float) -> dict[str, Any]:
    accepted = missed = repeated = unknown = 0
    unseen: list[float] = []
    for operator_id in operators:
        written = {position for _, batch in journal.committed[operator_id] for position in batch}
        seen = [position for _, page in journal.read[operator_id] for position in page]
        accepted += len(written)
        missed += len(written - set(seen))
        repeated += len(seen) - len(set(seen))
        unknown += len(set(seen) - written)
        unseen += _unseen(journal.committed[operator_id], journal.read[operator_id])
    unseen.sort()
    longest = unseen[-1] if unseen else 0.0
    return {
        "name": "log.follow",
        "figures": {
            "accepted": accepted,
            "missed": missed,
            "repeated": repeated,
            "unknown": unknown,
            "transactions": sum(len(journal.committed[operator_id]) for operator_id in operators),
            "aborted": len(journal.aborted),
            "events_aborted": sum(journal.aborted),
            "held_open": len(journal.held),
            "longest_held_open_s": round(max(journal.held, default=0.0), 3),
            "others_held_open_s": round(seconds, 1),
            "unseen_p99_s": round(unseen[int(len(unseen) * 0.99)], 3) if unseen else None,
            "unseen_longest_s": round(longest, 3),
        },
        "target": TARGET,
        "ok": accepted > 0 and missed == repeated == unknown == 0 and longest < seconds / 2,
        "seed": SEED,
    }


def _unseen(committed: list[tuple[float, list[int]]], read: list[tuple[float, list[int]]]) -> list[float]:
    """For each batch, how long after its commit its last event had not been read yet."""
    ends = [page[-1] for _, page in read]
    found = []
    for at, batch in committed:
        index = bisect_left(ends, batch[-1])
        if index < len(read):  # else it is among the missed
            found.append(max(0.0, read[index][0] - at))
    return found


def _write(
    number: int, operators: list[UUID], wanted: int, how: tuple[Sequence[int], float], journal: Journal
) -> None:
    """One writer: two operators in turn, never both in a transaction; what was aborted is sent again."""
    sizes, hold_seconds = how
    draw = random.Random(SEED + number)
    mine = [(operators[(number + n) % OPERATORS], Phone(10 * number + n)) for n in range(2)]
    try:
        written = 0
        for operator_id, phone in itertools.cycle(mine):
            events = phone.events(min(draw.choice(sizes), wanted - written))
            draw.shuffle(events)
            while draw.random() < 0.1:
                _abort(operator_id, events, draw.random() * hold_seconds / 10)
                journal.aborted.append(len(events))
            hold = draw.random() * hold_seconds if draw.random() < 0.02 else 0.0
            positions = _append(operator_id, events, hold)
            journal.committed[operator_id].append((time.perf_counter(), positions))
            if hold:
                journal.held.append(hold)
            written += len(events)
            if written == wanted:
                break
    finally:
        connections.close_all()


def _append(operator_id: UUID, events: list[NewEvent], hold: float) -> list[int]:
    with tenancy.operator_scope(operator_id, durable=True):
        fates = log.append(events)
        time.sleep(hold)
    assert {fate.fate for fate in fates} == {"accepted"}
    return sorted(fate.position for fate in fates if fate.position is not None)


def _abort(operator_id: UUID, events: list[NewEvent], hold: float) -> None:
    """Append under the lock, wait with the drawn positions, and give them up."""
    with tenancy.operator_scope(operator_id, durable=True):
        log.append(events)
        time.sleep(hold)
        transaction.set_rollback(True)


def _follow(operator_id: UUID, writing: threading.Event, journal: Journal) -> None:
    """One reader: page after page past the last position; done when it finds nothing after the writers are."""
    try:
        position, last_look = 0, False
        while True:
            with tenancy.operator_scope(operator_id, read_only=True):
                page = [row.position for row in log.events_after(position, limit=PAGE)]
            if page:
                journal.read[operator_id].append((time.perf_counter(), page))
                position = page[-1]
            elif last_look:
                break
            else:
                time.sleep(0.005)
            last_look = writing.is_set() and not page
    finally:
        connections.close_all()


@contextmanager
def _open_transactions(servers: Any) -> Iterator[None]:
    """Two transactions that have written and do not end: in another database of the cluster, and beside the log."""
    other = embedded.create_database(servers, "log_other")
    with psycopg.connect(other.superuser_url) as elsewhere, psycopg.connect(servers.superuser_url) as beside:
        for connection in (elsewhere, beside):
            connection.execute("CREATE TABLE held_open (id bigint)")
            connection.execute("INSERT INTO held_open VALUES (1)")
        try:
            yield
        finally:
            elsewhere.rollback()
            beside.rollback()
    embedded.drop_database(servers, "log_other")
