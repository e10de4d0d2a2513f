"""A base backup and the archive of the write-ahead log, the server gone, and two new clusters made of them.

One is brought to a named instant, before somebody wrote nonsense; the other to the end of the archive. Backup, archive and
restore use the settings of docker-compose.yml and the steps of docs/operations.md. SIGKILL leaves what the kernel holds:
a power cut and a disk that lies are not tried here.
"""

from __future__ import annotations

import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Self
from uuid import UUID

import psycopg
from django.db import connections

from accounts import tenancy
from accounts.permissions import system_actor
from config import embedded
from config.embedded import backups
from config.embedded.binaries import OWN_PLACE
from servicing import log
from servicing.commands.seals import seal
from servicing.queries.seals import get_anchor
from servicing.queries.verifying import verify
from tests import composed
from tests.benchmarks.log.batches import Phone, new_operator
from tests.cast import Cast, new_cast
from tests.drills.clusters import connected_to, end_at_once
from tests.drills.workers.filling import MUCH, fill, spread

SEED = 20
MOST_LOST_SECONDS = 60
TARGET = (
    "0 faults in the sealed log, no event of the middle missing, counts of each operator equal at the instant, "
    f"RPO <= {MOST_LOST_SECONDS} s; RTO is printed"
)


@dataclass
class Writer:
    """Appends small batches of all operators in turn, and an upload of a real phone now and then, and notes each answer."""

    operators: list[UUID]
    cast: Cast
    phones: dict[UUID, Phone]
    # Operator, event and when it was answered (epoch seconds), in the order of the answers.
    acked: list[tuple[UUID, UUID, float]] = field(default_factory=list)
    turn: threading.Lock = field(default_factory=threading.Lock)
    ended: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        number = 0
        try:
            while not self.ended.is_set():
                with self.turn:
                    self._once(number)
                number += 1
                time.sleep(0.02)
        except Exception:
            if not self.ended.is_set():
                raise
        finally:
            connections.close_all()

    def _once(self, number: int) -> None:
        if number % 20 == 0:
            event = self.cast.exchanged()
            (fate,) = self.cast.upload(event)
            assert fate.fate == "accepted", fate
            self.acked.append((self.cast.operator.id, UUID(event["id"]), time.time()))
            return
        operator_id = self.operators[number % len(self.operators)]
        events = self.phones[operator_id].events(4)
        with tenancy.operator_scope(operator_id, durable=True):
            made = log.append(events)
        assert {one.fate for one in made} == {"accepted"}
        self.acked += [(operator_id, one.event_id, time.time()) for one in events]


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 5 million events of 20 operators, archived every 30 s as deployed; else 50,000 of 5, every 5 s."""
    operators, each = (20, 250_000) if full else (5, 10_000)
    with tempfile.TemporaryDirectory(prefix="wickround-", dir=OWN_PLACE, ignore_cleanup_errors=True) as place:
        folder = Path(place)
        folder.chmod(0o711)
        _say("copying the cluster and starting the copy with its archive on")
        backups.back_up(servers, folder / "prepared")
        archive = backups.make_archive(folder / "wal")
        seconds = int(composed.postgres_settings()["archive_timeout"].removesuffix("s")) if full else 5
        backups.bring_in(folder / "prepared", folder / "first", servers, signal="")
        first = embedded.start(
            folder / "first", keep=False, settings=backups.archiving(archive, seconds=seconds)
        )
        try:
            with connected_to(first.servers):
                lost = _work_until_the_end(first, folder, operators, each, seconds)
        finally:
            first.stop()
        yield from _restored(lost, folder, archive, servers)


@dataclass
class Lost:
    """What was known when the first server was gone."""

    acked: list[tuple[UUID, UUID, float]]
    filled: dict[UUID, int]
    anchors: list[dict[str, Any]]
    instant: datetime
    counts_then: dict[UUID, int]
    gone_at: float
    cast: Cast
    backup_seconds: float
    backup_bytes: int


def _work_until_the_end(
    first: embedded.RunningServers, folder: Path, operators: int, each: int, seconds: int
) -> Lost:
    """Fill, seal, back up under load, go on, note an instant, write nonsense, go on, and lose the server."""
    ids = [new_operator(f"restored{n}") for n in range(operators)]
    cast = new_cast("restored")
    phones = fill(first.servers, ids, each)
    _say(f"sealing {operators * each:,} events")
    spread(first.servers, _seal, ids, is_much=operators * each >= MUCH)
    cast.upload(cast.installed())
    anchors = []
    for operator_id in ids:
        with tenancy.operator_scope(operator_id):
            anchors.append(get_anchor())
    writer = Writer(ids, cast, phones)
    thread = threading.Thread(target=writer.run)
    thread.start()
    try:
        began = time.monotonic()
        _say("a base backup, while others write")
        backups.back_up(first.servers, folder / "base")
        took = time.monotonic() - began
        time.sleep(2)
        with writer.turn:
            counts, instant = _counts(first.servers), _database_time(first.servers)
            time.sleep(0.05)
            _write_nonsense(first.servers, cast)
        time.sleep(2 * seconds + random.Random(SEED).uniform(1, seconds))
        gone_at = time.time()
    finally:
        writer.ended.set()
        end_at_once(first.pids[0])
        thread.join()
    return Lost(
        acked=writer.acked,
        filled=dict.fromkeys(ids, each) | {cast.operator.id: 1},
        anchors=anchors,
        instant=instant,
        counts_then=counts,
        gone_at=gone_at,
        cast=cast,
        backup_seconds=took,
        backup_bytes=sum(one.stat().st_size for one in (folder / "base").rglob("*") if one.is_file()),
    )


def _restored(lost: Lost, folder: Path, archive: Path, servers: embedded.Servers) -> Iterator[dict[str, Any]]:
    with _cluster(folder, archive, servers, until=lost.instant) as to_instant:
        found = _counts(to_instant.servers)
        with connected_to(to_instant.servers):
            faults = _faults(lost, to_instant.servers)
            nonsense = _names_nonsense(to_instant.servers, lost.cast)
    differ = sum(found.get(one, 0) != lost.counts_then[one] for one in lost.counts_then)
    yield {
        "name": "workers.restoring_to_an_instant",
        "figures": {
            "events": sum(found.values()),
            "operators": len(found),
            "operators_whose_count_differs": differ,
            "nonsense_rows": nonsense,
            "faults": faults,
            "seconds_until_it_takes_writes": round(to_instant.seconds, 1),
        },
        "target": TARGET,
        "ok": found.keys() == lost.counts_then.keys() and not differ and not nonsense and not faults,
        "seed": SEED,
    }
    with _cluster(folder, archive, servers, until=None) as to_end, connected_to(to_end.servers):
        faults = _faults(lost, to_end.servers)
        missing_inside, late = _held_against(lost, to_end.servers)
        (fate,) = lost.cast.upload(lost.cast.exchanged())
        events = sum(_counts(to_end.servers).values())
    rpo = lost.gone_at - late[0] if late else 0.0
    yield {
        "name": "workers.restoring_to_the_end",
        "figures": {
            "events": events,
            "acked_while_backed_up_and_after": len(lost.acked),
            "acked_after_the_last_archived_segment": len(late),
            "missing_before_it": missing_inside,
            "faults": faults,
            "anchors": len(lost.anchors),
            "rpo_seconds": round(rpo, 1),
            "rto_seconds": round(to_end.seconds, 1),
            "backup_seconds": round(lost.backup_seconds, 1),
            "backup_megabytes": round(lost.backup_bytes / 1e6),
            "segments_archived": len(list(archive.iterdir())),
        },
        "target": TARGET,
        "ok": not faults and not missing_inside and rpo <= MOST_LOST_SECONDS and fate.fate == "accepted",
        "seed": SEED,
    }


class _cluster:  # noqa: N801 - used as a context, like a function
    """A new cluster from the base backup and the archive, on which nothing of the first server is left."""

    def __init__(
        self, folder: Path, archive: Path, servers: embedded.Servers, *, until: datetime | None
    ) -> None:
        self._name = "at-instant" if until else "at-end"
        self._folder, self._archive, self._was, self._until = folder, archive, servers, until

    def __enter__(self) -> Self:
        _say(f"restoring: {self._name}")
        began = time.monotonic()
        backups.bring_in(self._folder / "base", self._folder / self._name, self._was)
        settings = backups.recovering(self._archive, until=self._until)
        self._running = embedded.start(self._folder / self._name, keep=False, settings=settings)
        self.servers = self._running.servers
        self.seconds = time.monotonic() - began
        return self

    def __exit__(self, *_: object) -> None:
        self._running.stop()


def _seal(operator_id: UUID) -> None:
    seal(actor=system_actor(operator_id), at_once=True)


def _verified(operator_id: UUID, anchors: list[dict[str, Any]]) -> list[str]:
    with tenancy.operator_scope(operator_id, read_only=True):
        return [fault.detail for fault in verify(anchors).faults]


def _faults(lost: Lost, servers: embedded.Servers) -> int:
    """Of all operators' logs, each read again from its first event and held against its anchor."""
    _say("verifying the restored log")
    of = [[one for one in lost.anchors if str(one["operator_id"]) == str(id_)] for id_ in lost.filled]
    is_much = sum(lost.filled.values()) >= MUCH
    return sum(len(found) for found in spread(servers, _verified, list(lost.filled), of, is_much=is_much))


def _held_against(lost: Lost, servers: embedded.Servers) -> tuple[int, list[float]]:
    """How many acked events are missing though a later one is there, and when each later one that is lost was acked."""
    with psycopg.connect(servers.superuser_url) as connection:
        ids = [event_id for _operator, event_id, _at in lost.acked]
        there = {
            row[0]
            for row in connection.execute(
                "SELECT event_id FROM servicing_event WHERE event_id = ANY (%s)", [ids]
            )
        }
        counts = {
            row[0]: row[1]
            for row in connection.execute("SELECT operator_id, count(*) FROM servicing_event GROUP BY 1")
        }
    last = max((n for n, event_id in enumerate(ids) if event_id in there), default=-1)
    acked = Counter(operator_id for operator_id, _event, _at in lost.acked[: last + 1])
    # One writer, so at most the transaction that was cut off may be there without an answer.
    short = sum(max(0, number + acked[one] - counts.get(one, 0)) for one, number in lost.filled.items())
    missing = sum(event_id not in there for event_id in ids[: last + 1])
    return max(missing, short), [at for _operator, _event, at in lost.acked[last + 1 :]]


def _counts(servers: embedded.Servers) -> dict[UUID, int]:
    with psycopg.connect(servers.superuser_url) as connection:
        rows = connection.execute("SELECT operator_id, count(*) FROM servicing_event GROUP BY operator_id")
        return dict(rows.fetchall())


def _database_time(servers: embedded.Servers) -> datetime:
    with psycopg.connect(servers.superuser_url) as connection:
        (at,) = connection.execute("SELECT clock_timestamp()").fetchone() or (None,)
    assert isinstance(at, datetime)
    return at


def _write_nonsense(servers: embedded.Servers, cast: Cast) -> None:
    with psycopg.connect(servers.superuser_url) as connection:
        connection.execute(
            "UPDATE accounts_customer SET name = 'nonsense' WHERE operator_id = %s", [cast.operator.id]
        )


def _names_nonsense(servers: embedded.Servers, cast: Cast) -> int:
    with psycopg.connect(servers.superuser_url) as connection:
        row = connection.execute(
            "SELECT count(*) FILTER (WHERE name = 'nonsense'), count(*) FROM accounts_customer WHERE operator_id = %s",
            [cast.operator.id],
        ).fetchone()
    assert row is not None
    assert row[1] > 0
    return int(row[0])


def _say(text: str) -> None:
    print(f"drill: {text}", file=sys.stderr)
