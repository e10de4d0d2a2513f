"""The service-event log: the only INSERT into it, and reading it after a position or by subject. It knows no types."""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from itertools import repeat
from operator import attrgetter
from typing import Any, NamedTuple
from uuid import UUID

import orjson
import psycopg
from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connection, connections
from psycopg.adapt import Buffer, Loader
from psycopg.pq import Format
from psycopg.types.json import Json

from accounts.tenancy import current_operator_id

# Taken shared by every append and exclusively by a swap of projections; always before the operator's lock.
PROJECTION_LOCK = 7_765_319

# The log is named with its schema: a rebuild runs with the path of a schema beside it.
_LOG = "public.servicing_event"
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


class EventRow(NamedTuple):
    """One stored line of the log, with its columns in their order."""

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


class Appended(NamedTuple):
    """What became of one event: accepted, duplicate (its stored position), conflict, or sequence_taken.

    ``device_sequence``: the event's own; for one of the office the number drawn, if it was accepted.
    """

    event_id: UUID
    fate: str
    position: int | None
    device_sequence: int | None


def content_hash(event: NewEvent | EventRow, *, from_office: bool) -> bytes:
    """SHA-256 over all that the sender set, in a form that the stored row gives again.

    The form is a JSON array without spaces, keys in order of their code points, text in UTF-8 as it is.
    The office's sequence is drawn by the server, so it is left out there: the same form sent twice stays the same event.
    """
    at = event.occurred_at if event.occurred_at.tzinfo is UTC else event.occurred_at.astimezone(UTC)
    content = (
        event.event_id,
        event.device_id,
        None if from_office else event.device_sequence,
        event.subject_kind,
        event.subject_id,
        event.type,
        event.schema_version,
        at.isoformat("T", "microseconds"),
        event.member_id,
        event.visit_id,
        event.touch_id,
        event.corrects,
        event.payload,
    )
    return hashlib.sha256(orjson.dumps(content, option=orjson.OPT_SORT_KEYS)).digest()


@contextmanager
def paused_collection() -> Iterator[None]:
    """No search for cycles while many plain values are made: there are none among them, and it takes half the time."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


@paused_collection()
def append(events: Sequence[NewEvent]) -> list[Appended]:
    """Append events of the scope's operator and say what became of each, in their order.

    Takes the operator's lock, to be held until commit: the position is drawn under it as the last step before the
    insert, so that the order of positions is the order of commits and no reader ever misses a lower one. Hashing and
    writing JSON need no lock and come before it. Events without device_sequence must be of one device, the office.
    Raises OperationalError (lock not available) when the transaction's lock_timeout runs out.
    """
    if not events:
        return []
    hashes = [content_hash(event, from_office=event.device_sequence is None) for event in events]
    first: dict[UUID, int] = {}
    for index, event in enumerate(events):
        first.setdefault(event.event_id, index)
    sent = sorted(first.values(), key=lambda index: events[index].device_sequence or 0)
    stored = dict(zip(sent, _send([events[i] for i in sent], [hashes[i] for i in sent]), strict=True))
    answers = []
    for index, event in enumerate(events):
        one = stored.get(index)
        if one is None:  # its id came before it in this batch
            one = stored[first[event.event_id]]._replace(is_new=False)
        answers.append(_answer(event, one, hashes[index]))
    return answers


class _Stored(NamedTuple):
    """What the log holds under an event's id after the insert; position None: nothing."""

    position: int | None
    content_hash: bytes
    device_sequence: int | None
    is_new: bool


def _send(events: Sequence[NewEvent], hashes: Sequence[bytes]) -> list[_Stored]:
    """Insert events, no id twice, in this order."""
    office = next((event.device_id for event in events if event.device_sequence is None), None)
    common, lines = _as_json(events, hashes)
    with _cursor(_PreparedCursor) as cursor:
        cursor.execute(
            "SELECT inserted, drawn_after, stored, hashes FROM public.servicing_append(%s, %s, %s, %s)",
            [current_operator_id(), office, common, lines],
        )
        inserted, drawn_after, positions, known = cursor.fetchone()
    sequences = [event.device_sequence for event in events]
    if office is not None:
        sequences = [drawn_after + place if one is None else one for place, one in enumerate(sequences, 1)]
    if positions is None:  # all were inserted
        return list(map(_Stored, inserted, hashes, sequences, repeat(True)))  # noqa: FBT003
    first_new = inserted[0] if inserted else float("inf")
    is_new = [position is not None and position >= first_new for position in positions]
    return list(map(_Stored, positions, known, sequences, is_new))


def _answer(event: NewEvent, stored: _Stored, digest: bytes) -> Appended:
    if stored.is_new:
        return Appended(event.event_id, "accepted", stored.position, stored.device_sequence)
    if stored.position is None:
        return Appended(event.event_id, "sequence_taken", None, event.device_sequence)
    if stored.content_hash == digest:
        return Appended(event.event_id, "duplicate", stored.position, event.device_sequence)
    return Appended(event.event_id, "conflict", None, event.device_sequence)


_SENT = (
    *(
        "event_id",
        "payload",
        "occurred_at",
        "device_id",
        "device_sequence",
        "subject_kind",
        "subject_id",
        "type",
    ),
    *(
        "schema_version",
        "received_at",
        "actor_kind",
        "actor_id",
        "member_id",
        "visit_id",
        "touch_id",
        "corrects",
    ),
)
_ALWAYS_ITS_OWN = {"event_id", "payload", "occurred_at"}
_values_of = attrgetter(*_SENT)


def _as_json(events: Sequence[NewEvent], hashes: Sequence[bytes]) -> tuple[Json, Json]:
    """What all events have in common, nulls left out, and a line for each with the rest."""
    columns: dict[str, Sequence[Any]] = dict(
        zip(_SENT, zip(*map(_values_of, events), strict=True), strict=True)
    )
    common = {}
    for name in set(_SENT) - _ALWAYS_ITS_OWN:
        value, last = columns[name][0], columns[name][-1]
        if value != last or columns[name].count(value) < len(events):
            continue
        if value is None:
            del columns[name]
        elif len(events) > 1:
            common[name] = columns.pop(name)[0]
    columns["content_hash"] = ["\\x" + digest.hex() for digest in hashes]
    lines = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    return Json(common, dumps=orjson.dumps), Json(lines, dumps=orjson.dumps)


def lock_operator(cursor: Any, operator_id: UUID) -> None:
    """The order of locks, as an append takes them: projections (shared), then the operator."""
    cursor.execute(
        "SELECT pg_advisory_xact_lock_shared(%s), pg_advisory_xact_lock(hashtextextended(%s, 0))",
        [PROJECTION_LOCK, str(operator_id)],
    )


class _PayloadLoader(Loader):
    format = Format.BINARY

    def load(self, data: Buffer) -> Any:
        """The binary form of jsonb: one byte of version, then its text."""
        return orjson.loads(data[1:])


class _PreparedCursor(psycopg.Cursor[Any]):
    def execute(self, query: Any, params: Any = None, **_: Any) -> Any:
        """For a statement that each connection sends again and again: parsed and planned once."""
        # Django turns preparing off (None); this turns it on for nothing that does not ask for it.
        self.connection.prepare_threshold = 2**31
        return super().execute(query, params, prepare=not settings.POOLED, binary=True)


@contextmanager
def _cursor(kind: type[psycopg.Cursor[Any]] = psycopg.Cursor) -> Iterator[Any]:
    """A cursor of Django's connection whose parameters travel beside the statement and whose values come in binary.

    Django's own writes the parameters into the statement, for the server to parse, and reads each time from text.
    """
    django = connections[DEFAULT_DB_ALIAS]
    django.ensure_connection()
    with kind(django.connection) as cursor:
        cursor.format = Format.BINARY
        wrap: Any = django.make_debug_cursor if django.queries_logged else django.make_cursor
        yield wrap(cursor)


_as_row = partial(tuple.__new__, EventRow)


def _read(
    where: str, values: Sequence[Any], order: str = "position", limit: int | None = None
) -> list[EventRow]:
    # The operator is named beside the policy: with it the planner takes the key that leads with the operator.
    sql = f"SELECT {_COLUMNS} FROM {_LOG} WHERE operator_id = %s AND {where} ORDER BY {order}"
    if limit is not None:
        sql += f" LIMIT {limit:d}"
    with _cursor() as cursor, paused_collection():
        cursor.adapters.register_loader("jsonb", _PayloadLoader)
        cursor.execute(sql, [current_operator_id(), *values])
        return list(map(_as_row, cursor.fetchall()))


def events_after(position: int, *, upto: int | None = None, limit: int | None = None) -> list[EventRow]:
    """Events with a greater position, in that order; ``upto`` is the last position wanted."""
    if upto is None:
        return _read("position > %s", [position], limit=limit)
    return _read("position > %s AND position <= %s", [position, upto], limit=limit)


def events_of_types(types: Collection[str], *, after: int = 0, upto: int | None = None) -> list[EventRow]:
    """Events of these types with a greater position, in that order."""
    return _read("type = ANY(%s) AND position > %s AND position <= %s", [list(types), after, _upto(upto)])


def pages_after(position: int, *, upto: int | None = None, size: int = 2_000) -> Iterator[list[EventRow]]:
    while page := events_after(position, upto=upto, limit=size):
        yield page
        position = page[-1].position


def events_of(subject_ids: Collection[UUID], *, upto: int | None = None) -> list[EventRow]:
    """All events of these subjects, and every event that corrects one of them, however far the chain goes."""
    rows = _read(
        "subject_id = ANY(%s) AND position <= %s", [list(subject_ids), _upto(upto)], "occurred_at, event_id"
    )
    return rows + correcting([row.event_id for row in rows], known={row.event_id for row in rows}, upto=upto)


def events_of_type(type_name: str, subject_ids: Collection[UUID]) -> list[EventRow]:
    """The events of one type about these subjects, without what corrects them."""
    return _read("subject_id = ANY(%s) AND type = %s", [list(subject_ids), type_name])


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
            "SELECT EXISTS (SELECT FROM public.servicing_event WHERE operator_id = %s AND position > %s AND position < %s)",
            [current_operator_id(), after, before],
        )
        return bool(cursor.fetchone()[0])


def head_position() -> int:
    """The operator's last position; 0 for an empty log."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(max(position), 0) FROM public.servicing_event WHERE operator_id = %s",
            [current_operator_id()],
        )
        return int(cursor.fetchone()[0])
