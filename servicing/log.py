"""The service-event log: the only INSERT into it, and reading it after a position or by subject. It knows no types."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id

# Taken shared by every append and exclusively by a swap of projections; always before the operator's lock.
PROJECTION_LOCK = 7_765_319

_COLUMNS = (
    "position, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version, occurred_at, "
    "received_at, recorded_at, actor_kind, actor_id, member_id, visit_id, touch_id, corrects, payload, content_hash"
)


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event ready to be appended. ``device_sequence`` None: drawn under the operator's lock (the office)."""

    event_id: UUID
    device_id: UUID
    device_sequence: int | None
    subject_kind: str
    subject_id: UUID
    type: str
    schema_version: int
    occurred_at: datetime
    received_at: datetime
    actor_kind: str
    actor_id: UUID | None
    payload: dict[str, Any]
    member_id: UUID | None = None
    visit_id: UUID | None = None
    touch_id: UUID | None = None
    corrects: UUID | None = None


@dataclass(frozen=True, slots=True)
class EventRow:
    """One stored line of the log."""

    position: int
    event_id: UUID
    device_id: UUID
    device_sequence: int
    subject_kind: str
    subject_id: UUID
    type: str
    schema_version: int
    occurred_at: datetime
    received_at: datetime
    recorded_at: datetime
    actor_kind: str
    actor_id: UUID | None
    member_id: UUID | None
    visit_id: UUID | None
    touch_id: UUID | None
    corrects: UUID | None
    payload: dict[str, Any]
    content_hash: bytes


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of one event: accepted, duplicate (its stored position), conflict, or sequence_taken."""

    event_id: UUID
    fate: str
    position: int | None


def content_hash(event: NewEvent | EventRow, *, from_office: bool) -> bytes:
    """SHA-256 over all that the sender set, in a form that the stored row gives again.

    The office's sequence is drawn by the server, so it is left out there: the same form sent twice stays the same event.
    """
    content = [
        str(event.event_id),
        str(event.device_id),
        None if from_office else event.device_sequence,
        event.subject_kind,
        str(event.subject_id),
        event.type,
        event.schema_version,
        event.occurred_at.astimezone(UTC).isoformat(timespec="microseconds"),
        *(
            None if one is None else str(one)
            for one in (event.member_id, event.visit_id, event.touch_id, event.corrects)
        ),
        event.payload,
    ]
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    ).digest()


def append(events: Sequence[NewEvent]) -> list[Appended]:
    """Append events of the scope's operator and say what became of each, in their order.

    Takes the operator's lock, to be held until commit: the position is drawn under it as the last step before the
    insert, so that the order of positions is the order of commits and no reader ever misses a lower one.
    Raises OperationalError (lock not available) when the transaction's lock_timeout runs out.
    """
    if not events:
        return []
    hashes = {id(event): content_hash(event, from_office=event.device_sequence is None) for event in events}
    first: dict[UUID, NewEvent] = {}
    for event in events:
        first.setdefault(event.event_id, event)
    operator_id = current_operator_id()
    with connection.cursor() as cursor:
        lock_operator(cursor, operator_id)
        sequences = _draw_sequences(cursor, operator_id, list(first.values()))
        cursor.execute(
            _APPEND_SQL, {"operator": operator_id, "events": _as_json(first.values(), sequences, hashes)}
        )
        found = {row[0]: row[1:] for row in cursor.fetchall()}
    return [_fate(event, first, found, hashes) for event in events]


def lock_operator(cursor: Any, operator_id: UUID) -> None:
    """The order of locks: projections (shared), then the operator."""
    cursor.execute(
        "SELECT pg_advisory_xact_lock_shared(%s), pg_advisory_xact_lock(hashtextextended(%s, 0))",
        [PROJECTION_LOCK, str(operator_id)],
    )


_APPEND_SQL = """
WITH sent AS (
    SELECT * FROM jsonb_to_recordset(%(events)s::jsonb) AS (
        ordinal integer, event_id uuid, device_id uuid, device_sequence bigint, subject_kind text, subject_id uuid,
        type text, schema_version smallint, occurred_at timestamptz, received_at timestamptz, actor_kind text,
        actor_id uuid, member_id uuid, visit_id uuid, touch_id uuid, corrects uuid, payload jsonb, content_hash text
    )
), inserted AS (
    INSERT INTO servicing_event (
        operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version, occurred_at,
        received_at, actor_kind, actor_id, member_id, visit_id, touch_id, corrects, payload, content_hash
    )
    SELECT %(operator)s, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version,
        occurred_at, received_at, actor_kind, actor_id, member_id, visit_id, touch_id, corrects, payload,
        decode(content_hash, 'hex')
    FROM sent ORDER BY device_sequence, ordinal
    -- Bare on purpose: naming the key would turn a clash of the device sequence into an error that sinks the batch.
    ON CONFLICT DO NOTHING
    RETURNING event_id, position
)
SELECT sent.event_id, inserted.position, stored.position, stored.content_hash
FROM sent
LEFT JOIN inserted USING (event_id)
LEFT JOIN servicing_event stored ON stored.operator_id = %(operator)s AND stored.event_id = sent.event_id
"""


def _draw_sequences(cursor: Any, operator_id: UUID, events: Sequence[NewEvent]) -> dict[UUID, int]:
    drawn = [event for event in events if event.device_sequence is None]
    if not drawn:
        return {}
    device_id = drawn[0].device_id
    cursor.execute(
        "SELECT coalesce(max(device_sequence), 0) FROM servicing_event WHERE operator_id = %s AND device_id = %s",
        [operator_id, device_id],
    )
    start = cursor.fetchone()[0]
    return {event.event_id: start + index for index, event in enumerate(drawn, 1)}


def _as_json(events: Collection[NewEvent], sequences: dict[UUID, int], hashes: dict[int, bytes]) -> str:
    return json.dumps(
        [
            {
                "ordinal": ordinal,
                "event_id": event.event_id,
                "device_id": event.device_id,
                "device_sequence": sequences.get(event.event_id, event.device_sequence),
                "subject_kind": event.subject_kind,
                "subject_id": event.subject_id,
                "type": event.type,
                "schema_version": event.schema_version,
                "occurred_at": event.occurred_at,
                "received_at": event.received_at,
                "actor_kind": event.actor_kind,
                "actor_id": event.actor_id,
                "member_id": event.member_id,
                "visit_id": event.visit_id,
                "touch_id": event.touch_id,
                "corrects": event.corrects,
                "payload": event.payload,
                "content_hash": hashes[id(event)].hex(),
            }
            for ordinal, event in enumerate(events)
        ],
        default=str,
        ensure_ascii=False,
    )


def _fate(
    event: NewEvent, first: dict[UUID, NewEvent], found: dict[UUID, tuple[Any, ...]], hashes: dict[int, bytes]
) -> Appended:
    inserted, stored, stored_hash = found[event.event_id]
    original = first[event.event_id]
    if original is event and inserted is not None:
        return Appended(event.event_id, "accepted", inserted)
    if stored is None and inserted is None:
        return Appended(event.event_id, "sequence_taken", None)
    known = hashes[id(original)] if stored is None else bytes(stored_hash)
    if known != hashes[id(event)]:
        return Appended(event.event_id, "conflict", None)
    return Appended(event.event_id, "duplicate", inserted if stored is None else stored)


def _read(
    where: str, values: Sequence[Any], order: str = "position", limit: int | None = None
) -> list[EventRow]:
    # The operator is named beside the policy: with it the planner takes the key that leads with the operator.
    sql = f"SELECT {_COLUMNS} FROM servicing_event WHERE operator_id = %s AND {where} ORDER BY {order}"
    if limit is not None:
        sql += f" LIMIT {limit:d}"
    with connection.cursor() as cursor:
        cursor.execute(sql, [current_operator_id(), *values])
        return [_row(row) for row in cursor.fetchall()]


def _row(row: tuple[Any, ...]) -> EventRow:
    payload = row[17]
    return EventRow(
        *(*row[:17], json.loads(payload) if isinstance(payload, str) else payload, bytes(row[18]))
    )


def events_after(position: int, *, upto: int | None = None, limit: int | None = None) -> list[EventRow]:
    """Events with a greater position, in that order; ``upto`` is the last position wanted."""
    if upto is None:
        return _read("position > %s", [position], limit=limit)
    return _read("position > %s AND position <= %s", [position, upto], limit=limit)


def events_of_types(types: Collection[str], *, after: int = 0, upto: int | None = None) -> list[EventRow]:
    """Events of these types with a greater position, in that order."""
    return _read("type = ANY(%s) AND position > %s AND position <= %s", [list(types), after, _upto(upto)])


def pages_after(position: int, *, upto: int | None = None, size: int = 5_000) -> Iterator[list[EventRow]]:
    while page := events_after(position, upto=upto, limit=size):
        yield page
        position = page[-1].position


def events_of(subject_ids: Collection[UUID], *, upto: int | None = None) -> list[EventRow]:
    """All events of these subjects, and every event that corrects one of them, however far the chain goes."""
    rows = _read(
        "subject_id = ANY(%s) AND position <= %s", [list(subject_ids), _upto(upto)], "occurred_at, event_id"
    )
    return rows + correcting([row.event_id for row in rows], known={row.event_id for row in rows}, upto=upto)


def correcting(event_ids: Collection[UUID], *, known: set[UUID], upto: int | None = None) -> list[EventRow]:
    """The events outside ``known`` that correct these ids, and those that correct them in turn."""
    found: list[EventRow] = []
    wanted = list(event_ids)
    while wanted:
        rows = [
            row
            for row in _read("corrects = ANY(%s) AND position <= %s", [wanted, _upto(upto)])
            if row.event_id not in known
        ]
        known |= {row.event_id for row in rows}
        found += rows
        wanted = [row.event_id for row in rows]
    return found


def events_by_id(event_ids: Collection[UUID]) -> list[EventRow]:
    return _read("event_id = ANY(%s)", [list(event_ids)]) if event_ids else []


def events_of_visits(visit_ids: Collection[UUID]) -> list[EventRow]:
    """The touches of these visits (not the visits' own events)."""
    return _read("visit_id = ANY(%s)", [list(visit_ids)]) if visit_ids else []


def events_correcting(*, upto: int | None = None) -> list[EventRow]:
    """Every event that corrects another, at or before a position."""
    return _read("corrects IS NOT NULL AND position <= %s", [_upto(upto)])


def _upto(position: int | None) -> int:
    return 2**62 if position is None else position


def is_any_between(after: int, before: int) -> bool:
    """Whether the operator has an event with after < position < before."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT EXISTS (SELECT FROM servicing_event WHERE operator_id = %s AND position > %s AND position < %s)",
            [current_operator_id(), after, before],
        )
        return bool(cursor.fetchone()[0])


def head_position() -> int:
    """The operator's last position; 0 for an empty log."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(max(position), 0) FROM servicing_event WHERE operator_id = %s",
            [current_operator_id()],
        )
        return int(cursor.fetchone()[0])
