"""Making all unit states, findings and open reports from the log: by the fold, by one statement, against COPY out.

The two makings are compared to the byte. There is no peer: the goals are of our own making.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import psycopg
from django.db import connection

from accounts import tenancy
from fleet.models import Unit
from servicing import log
from servicing.projections.sets import making
from tests.benchmarks.log.append import append
from tests.benchmarks.log.batches import COPY_COLUMNS, STARTED, Phone
from tests.benchmarks.rounds import compared, interleave
from tests.cast import new_cast

ROUNDS = 3
UNITS = 400


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 200,000 events of 400 units; else 20,000."""
    number = 200_000 if full else 20_000
    operator_id = _filled(number)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        superuser.execute("VACUUM ANALYZE servicing_event")
        sides = {
            "fold": lambda _: _by_fold(operator_id),
            "statement": lambda _: _by_statement(operator_id),
            "copy": lambda _: _copy_out(superuser, operator_id),
        }
        speeds = interleave(sides, rounds=ROUNDS, count=number)
    copy = "COPY of the same rows out, binary, not decoded"
    yield compared("log.rebuild_by_fold", speeds["fold"], copy, speeds["copy"], target=0.25, n=number)
    line = compared(
        "log.rebuild_by_statement",
        speeds["statement"],
        "the same rebuild by the fold",
        speeds["fold"],
        target=5,
        n=number,
    )
    _by_fold(operator_id)
    by_fold = _stored(operator_id)
    _by_statement(operator_id)
    by_statement = _stored(operator_id)
    is_equal = by_fold == by_statement and len(by_fold) > UNITS
    yield {**line, "is_byte_equal": is_equal, "rows": len(by_fold), "ok": line["ok"] and is_equal}


def _filled(number: int) -> UUID:
    """An operator whose units are installed, visited again and again, and now and then contradict themselves."""
    cast = new_cast("rebuild", units=UNITS)
    phone = Phone(7, units=[unit.id for unit in cast.units], cartridge_id=str(cast.cartridge.id))
    installed = [
        replace(
            event,
            subject_id=unit.id,
            type="unit.installed",
            occurred_at=STARTED - timedelta(days=1),
            payload=cast.installed(unit, station=n)["payload"],
        )
        for n, (unit, event) in enumerate(zip(cast.units, phone.events(UNITS), strict=True))
    ]
    append(cast.operator.id, installed)
    for _ in range(UNITS, number, 1_000):
        events = phone.events(min(1_000, number - UNITS))
        # One event of a hundred is a fault, a report, or corrects the one before.
        for index in range(0, len(events), 100):
            events[index] = replace(
                events[index],
                type="fault.found",
                payload={"mode": "STD", "detection": "visit_check"},
            )
            events[index + 1] = replace(events[index + 1], type="report.received", payload={"kind": "odour"})
            events[index + 3] = replace(events[index + 3], corrects=events[index + 2].event_id)
        append(cast.operator.id, events)
    return cast.operator.id


def _by_fold(operator_id: UUID) -> None:
    with tenancy.operator_scope(operator_id, durable=True):
        making.fold_and_store_units(Unit.objects.values_list("id", flat=True), log.head_position())


def _by_statement(operator_id: UUID) -> None:
    with tenancy.operator_scope(operator_id, durable=True):
        making.store_units(log.head_position())


def _copy_out(superuser: Any, operator_id: UUID) -> None:
    rows = f"SELECT {COPY_COLUMNS} FROM servicing_event WHERE operator_id = '{operator_id}' ORDER BY position"
    with superuser.cursor().copy(f"COPY ({rows}) TO STDOUT (FORMAT binary)") as out:
        for _ in out:
            pass


def _stored(operator_id: UUID) -> list[str]:
    """Every row of the three tables as text."""
    tables = ("servicing_unitstate", "servicing_finding", "servicing_report")
    with tenancy.operator_scope(operator_id, read_only=True), connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(f"SELECT t::text FROM {table} t" for table in tables))
        return sorted(text for (text,) in cursor.fetchall())
