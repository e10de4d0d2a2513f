"""What a superuser could do to the log with the guards switched off: each way, in a transaction that is taken back.

``verify`` reads it inside that transaction, once without an anchor and once with one that was taken before. The target
is that the anchor finds every one. What the seals alone find is printed beside it.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID, uuid4

from django.db import connections, transaction
from psycopg.types.json import Jsonb

from accounts import tenancy
from accounts.permissions import system_actor
from servicing import log
from servicing.commands.seals import seal
from servicing.log import EventRow, content_hash
from servicing.models import Seal
from servicing.queries.seals import block_of, get_anchor, leaf_of
from servicing.queries.verifying import verify
from servicing.rules.merkle import leaf_hash, root_of
from servicing.rules.seals import NOTHING_BEFORE
from tests.benchmarks.log.batches import Phone, new_operator

SEED = 20_262
TARGET = "the anchor finds every tampering, and nothing in the untouched log"

Change = Callable[[EventRow, random.Random], dict[str, Any]]

# A column and a value of its own kind that is another one.
EDITS: dict[str, Change] = {
    "event_id": lambda row, draw: {"event_id": uuid4()},
    "device_id": lambda row, draw: {"device_id": uuid4()},
    "device_sequence": lambda row, draw: {"device_sequence": row.device_sequence + 10**9},
    "subject_kind": lambda row, draw: {"subject_kind": "site"},
    "subject_id": lambda row, draw: {"subject_id": uuid4()},
    "type": lambda row, draw: {"type": "unit.withdrawn"},
    "schema_version": lambda row, draw: {"schema_version": row.schema_version + 1},
    "occurred_at": lambda row, draw: {"occurred_at": row.occurred_at - timedelta(days=draw.randint(1, 30))},
    "received_at": lambda row, draw: {"received_at": row.received_at + timedelta(microseconds=1)},
    "recorded_at": lambda row, draw: {"recorded_at": row.recorded_at - timedelta(microseconds=1)},
    "actor_kind": lambda row, draw: {"actor_kind": "member"},
    "actor_id": lambda row, draw: {"actor_id": None},
    "member_id": lambda row, draw: {"member_id": uuid4()},
    "visit_id": lambda row, draw: {"visit_id": None},
    "touch_id": lambda row, draw: {"touch_id": uuid4()},
    "corrects": lambda row, draw: {"corrects": uuid4()},
    "payload": lambda row, draw: {"payload": {**row.payload, "cartridge_left_ml": draw.randint(300, 20_000)}},
    "content_hash": lambda row, draw: {"content_hash": draw.randbytes(32)},
    "position": lambda row, draw: {"position": row.position + 10**12},
}


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: ten rounds of every way over five blocks; else one round over three."""
    operator_id = new_operator("tamper")
    with tenancy.operator_scope(operator_id, durable=True):
        for _ in range(5 if full else 3):
            log.append(Phone(3).events(900))
    seal(actor=system_actor(operator_id), at_once=True)
    draw = random.Random(SEED)
    with _as_superuser(servers.superuser_url):
        with tenancy.operator_scope(operator_id):
            anchor = get_anchor()
            untouched = verify([anchor]).faults
        ways = _ways()
        print(f"drill: {len(ways)} ways of tampering, {10 if full else 1} rounds", file=sys.stderr)
        alone: Counter[str] = Counter()
        missed: list[str] = []
        rounds = 10 if full else 1
        for _ in range(rounds):
            for name, tamper in ways.items():
                with_seals, with_anchor = _tampered(operator_id, anchor, tamper, draw)
                alone[name] += with_seals
                missed += [] if with_anchor else [name]
    tried = rounds * len(ways)
    yield {
        "name": "log.tampering",
        "value": round((tried - len(missed)) / tried, 4),
        "unit": "of the tamperings found with the anchor",
        "figures": {
            "tried": tried,
            "found_with_anchor": tried - len(missed),
            "found_by_seals_alone": sum(alone.values()),
            "only_by_anchor": sorted(name for name in ways if alone[name] < rounds),
            "missed": missed,
            "faults_in_the_untouched_log": len(untouched),
        },
        "target": TARGET,
        "ok": not missed and not untouched,
        "rounds": rounds,
        "n": tried,
    }


def _ways() -> dict[str, Callable[[UUID, list[EventRow], random.Random], None]]:
    """Every way by its name."""
    ways: dict[str, Callable[[UUID, list[EventRow], random.Random], None]] = {}
    for column, change in EDITS.items():
        ways[f"edit {column}"] = _editing(change, hash_again=False)
        if column not in {"content_hash", "position", "received_at", "recorded_at", "actor_kind", "actor_id"}:
            ways[f"edit {column}, hash made to fit"] = _editing(change, hash_again=True)
    plain = {"delete": _delete, "insert": _insert, "swap": _swap, "cut": _cut}
    for name, tamper in plain.items():
        ways[name] = tamper
        ways[f"{name}, sealed anew"] = _and_sealed_anew(tamper)
    ways["edit payload, hash made to fit, sealed anew"] = _and_sealed_anew(
        _editing(EDITS["payload"], hash_again=True)
    )
    ways["edit occurred_at, hash made to fit, sealed anew"] = _and_sealed_anew(
        _editing(EDITS["occurred_at"], hash_again=True)
    )
    ways["cut with its seals"] = _cut_with_seals
    ways["a seal changed"] = _change_seal
    ways["a seal taken out"] = _remove_seal
    ways["all seals taken out"] = _remove_seals
    return ways


@contextmanager
def _as_superuser(url: str) -> Iterator[None]:
    """Django's connection as the superuser's, whom neither policy nor privilege holds."""
    connection, parts = connections["default"], urlsplit(url)
    before = {name: connection.settings_dict[name] for name in ("USER", "PASSWORD")}
    connection.close()
    connection.settings_dict.update(USER=parts.username, PASSWORD=parts.password)
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict.update(before)


def _tampered(
    operator_id: UUID, anchor: dict[str, Any], tamper: Any, draw: random.Random
) -> tuple[bool, bool]:
    """Whether the seals alone, and whether the anchor, tell of a tampering; afterwards it never was."""
    with tenancy.operator_scope(operator_id):
        for table in ("servicing_event", "servicing_seal"):
            _execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        tamper(operator_id, log.events_after(0), draw)
        faults = verify([anchor]).faults
        transaction.set_rollback(True)
    return any(fault.kind != "anchor" for fault in faults), bool(faults)


def _execute(statement: str, values: Any = ()) -> None:
    with connections["default"].cursor() as cursor:
        cursor.execute(statement, values)


def _editing(change: Change, *, hash_again: bool) -> Any:
    def edit(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
        row = draw.choice(rows)
        _write(operator_id, row, change(row, draw), hash_again=hash_again)

    return edit


def _write(operator_id: UUID, row: EventRow, new: dict[str, Any], *, hash_again: bool) -> None:
    if hash_again:
        new = {**new, "content_hash": content_hash(row._replace(**new), from_office=False)}
    # Identity GENERATED ALWAYS lets nobody set a position; whoever owns the table can change that too.
    if "position" in new:
        _execute("ALTER TABLE servicing_event ALTER position DROP IDENTITY")
    columns = ", ".join(f"{name} = %s" for name in new)
    values = [Jsonb(value) if isinstance(value, dict) else value for value in new.values()]
    _execute(
        f"UPDATE servicing_event SET {columns} WHERE operator_id = %s AND position = %s",
        [*values, operator_id, row.position],
    )


def _delete(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    _delete_rows(operator_id, [draw.choice(rows).position])


def _delete_rows(operator_id: UUID, positions: list[int]) -> None:
    _execute(
        "DELETE FROM servicing_event WHERE operator_id = %s AND position = ANY(%s)", [operator_id, positions]
    )


def _insert(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    """A whole event of its own, its hash right, between two that are there: at a position that a gap left free."""
    row = draw.choice(rows[:-1])
    made = row._replace(event_id=uuid4(), device_sequence=row.device_sequence + 10**9)
    _insert_row(operator_id, made._replace(position=_free_position(rows, draw)))


def _free_position(rows: list[EventRow], draw: random.Random) -> int:
    taken = {row.position for row in rows}
    free = [at for at in range(rows[0].position, rows[-1].position) if at not in taken]
    return draw.choice(free) if free else rows[0].position - 1


def _insert_row(operator_id: UUID, row: EventRow) -> None:
    row = row._replace(content_hash=content_hash(row, from_office=False))
    names = ", ".join(EventRow._fields)
    marks = ", ".join(["%s"] * (len(row) + 1))
    values = [Jsonb(value) if isinstance(value, dict) else value for value in row]
    _execute(
        f"INSERT INTO servicing_event (operator_id, {names}) OVERRIDING SYSTEM VALUE VALUES ({marks})",
        [operator_id, *values],
    )


def _swap(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    """Two events trade their positions, all else of them as it was."""
    one, other = draw.sample(rows, 2)
    _delete_rows(operator_id, [one.position, other.position])
    _insert_row(operator_id, one._replace(position=other.position))
    _insert_row(operator_id, other._replace(position=one.position))


def _cut(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    last = draw.randint(1, 20)
    _delete_rows(operator_id, [row.position for row in rows[-last:]])


def _cut_with_seals(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    """The last block and its seal: what is left is whole in itself."""
    last = Seal.objects.order_by("number").last()
    assert last is not None, "there are seals"
    _delete_rows(operator_id, [row.position for row in rows if row.position >= last.first_position])
    _execute("DELETE FROM servicing_seal WHERE operator_id = %s AND number = %s", [operator_id, last.number])


def _change_seal(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    number = draw.choice(list(Seal.objects.values_list("number", flat=True)))
    _execute(
        "UPDATE servicing_seal SET sealed_at = sealed_at - interval '1 day' WHERE operator_id = %s AND number = %s",
        [operator_id, number],
    )


def _remove_seal(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    number = draw.choice(list(Seal.objects.values_list("number", flat=True)))
    _execute("DELETE FROM servicing_seal WHERE operator_id = %s AND number = %s", [operator_id, number])


def _remove_seals(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
    _execute("DELETE FROM servicing_seal WHERE operator_id = %s", [operator_id])


def _and_sealed_anew(tamper: Any) -> Any:
    """The tampering, and then every seal written anew with the old times, so that all fits again."""

    def forge(operator_id: UUID, rows: list[EventRow], draw: random.Random) -> None:
        tamper(operator_id, rows, draw)
        previous, total, after = NOTHING_BEFORE, 0, -(2**62)
        for old in list(Seal.objects.order_by("number")):
            left = log.events_after(after, upto=old.last_position)
            after, total = old.last_position, total + len(left)
            old.first_position, old.last_position = left[0].position, left[-1].position
            old.count, old.total, old.previous_hash = len(left), total, previous
            old.root = root_of([leaf_hash(leaf_of(operator_id, row)) for row in left])
            previous = old.seal_hash = block_of(old).hash()
            names = (
                "first_position",
                "last_position",
                "count",
                "total",
                "previous_hash",
                "root",
                "seal_hash",
            )
            _execute(
                f"UPDATE servicing_seal SET {', '.join(f'{name} = %s' for name in names)} "
                "WHERE operator_id = %s AND number = %s",
                [*(getattr(old, name) for name in names), operator_id, old.number],
            )

    return forge
