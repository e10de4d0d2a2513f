"""Reading the log: all of it, decoded, against COPY out and the peer; and catching up with it, against event by event.

The peer reads its notifications in pages of 1,000 and maps each to its event. Both logs hold the same events.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import psycopg

from accounts import tenancy
from servicing import log
from servicing.projections.folding import fold_page, lock_for_folding
from tests.benchmarks.log import peer
from tests.benchmarks.log.append import append
from tests.benchmarks.log.batches import COPY_COLUMNS, STARTED, Phone, new_operator
from tests.benchmarks.rounds import compared, interleave
from tests.cast import new_cast

ROUNDS = 3
PEER = "eventsourcing 9.5.6, notifications in pages of 1,000, each mapped"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 200,000 events read, 20,000 caught up with in pages and 600 one by one."""
    yield from _reading(servers.superuser_url, 200_000 if full else 20_000)
    yield from _catching_up(20_000 if full else 2_000, 600 if full else 60)


def _reading(superuser_url: str, number: int) -> Iterator[dict[str, Any]]:
    operator_id, phone = new_operator("reading"), Phone(5)
    peer.make_database(superuser_url)
    application = peer.open_application(superuser_url)
    with psycopg.connect(superuser_url, autocommit=True) as superuser:
        try:
            for _ in range(number // 1_000):
                events = phone.events(1_000)
                append(operator_id, events)
                application.events.put(peer.as_its_own(events, datetime.now(UTC)))
            superuser.execute("VACUUM ANALYZE servicing_event")
            sides = {
                "ours": lambda _: _expect(number, _read(operator_id)),
                "copy": lambda _: _copy_out(superuser, operator_id),
                "peer": lambda _: _expect(number, _read_mapped(application)),
            }
            speeds = interleave(sides, rounds=ROUNDS, count=number)
        finally:
            application.close()
    copy = "COPY of the same rows out, binary, not decoded"
    yield compared("log.read_all", speeds["ours"], copy, speeds["copy"], target=0.3, n=number)
    yield compared("log.read_all", speeds["ours"], PEER, speeds["peer"], target=1.5, n=number)


def _expect(wanted: int, found: int) -> None:
    assert found == wanted, f"{found} of {wanted} events were read"


def _read(operator_id: UUID) -> int:
    with tenancy.operator_scope(operator_id, read_only=True):
        return sum(len(page) for page in log.pages_after(0))


def _copy_out(superuser: Any, operator_id: UUID) -> None:
    rows = f"SELECT {COPY_COLUMNS} FROM servicing_event WHERE operator_id = '{operator_id}' ORDER BY position"
    with superuser.cursor().copy(f"COPY ({rows}) TO STDOUT (FORMAT binary)") as out:
        for _ in out:
            pass


def _read_mapped(application: Any) -> int:
    found, start = 0, 1
    while page := application.recorder.select_notifications(start, 1_000):
        found += sum(application.mapper.to_domain_event(one) is not None for one in page)
        start = page[-1].id + 1
    return found


def _catching_up(in_pages: int, one_by_one: int) -> Iterator[dict[str, Any]]:
    """The projections from the log, in pages and event by event, each with its checkpoint in one transaction.

    The events are appended beforehand, unmeasured; the one by one are appended and folded in turn, the folds measured.
    """
    many, few = _crew("pages"), _crew("single")

    def pages(number: int) -> float:
        count = in_pages if number >= 0 else 100
        append(many.operator_id, many.phone.events(count))
        return count / _caught_up(many.operator_id, count)

    def single(number: int) -> float:
        count = one_by_one if number >= 0 else 10
        seconds = 0.0
        for event in few.phone.events(count):
            append(few.operator_id, [event])
            seconds += _caught_up(few.operator_id, 1)
        return count / seconds

    speeds = interleave({"pages": pages, "single": single}, rounds=ROUNDS, count=in_pages)
    against = "one event a transaction, by the same fold"
    yield compared("log.catch_up", speeds["pages"], against, speeds["single"], target=20, n=in_pages)


def _caught_up(operator_id: UUID, wanted: int) -> float:
    """Seconds until the operator's projections have folded as many events, a page a transaction."""
    began, folded = time.perf_counter(), 0
    while folded < wanted:
        with tenancy.operator_scope(operator_id, durable=True):
            lock_for_folding(operator_id)
            folded += fold_page()
    assert folded == wanted
    return time.perf_counter() - began


@dataclass(frozen=True, slots=True)
class _Crew:
    operator_id: UUID
    phone: Phone


def _crew(slug: str) -> _Crew:
    """An operator with forty units, installed and folded."""
    cast = new_cast(slug, units=40)
    phone = Phone(6, units=[unit.id for unit in cast.units], cartridge_id=str(cast.cartridge.id))
    installed = [
        replace(
            event,
            subject_id=unit.id,
            type="unit.installed",
            occurred_at=STARTED - timedelta(days=1),
            payload=cast.installed(unit, station=n)["payload"],
        )
        for n, (unit, event) in enumerate(zip(cast.units, phone.events(len(cast.units)), strict=True))
    ]
    append(cast.operator.id, installed)
    _caught_up(cast.operator.id, len(installed))
    return _Crew(cast.operator.id, phone)
