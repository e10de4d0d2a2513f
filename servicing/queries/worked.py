"""The log as billing reads it: who had work where, and the work of many subjects, as plain rows with their standing."""

from __future__ import annotations

from collections.abc import Collection, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import date, datetime
from functools import partial
from typing import Any, NamedTuple
from uuid import UUID

import orjson
import psycopg
from django.db import connection
from psycopg.adapt import Buffer, Loader
from psycopg.pq import Format

from accounts.queries import AgreedTerms
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.events.reading import PAYLOADS, upcast
from servicing.events.types import EventType
from servicing.queries.folds import fold_event
from servicing.rules import due
from servicing.rules.fold import AHEAD_TOLERANCE, standings

# What says where a unit hung.
TENURE = ("unit.installed", "unit.moved", "unit.opened", "unit.withdrawn")
ROWS_AT_ONCE = 5_000


class Worked(NamedTuple):
    """One event: ``superseded_by`` the event it falls to, if any; ``is_ahead``: its clock was, so it waits.

    ``is_new``: it came after the position that was asked from.
    """

    event_id: UUID
    device_id: UUID
    device_sequence: int
    subject_kind: str
    subject_id: UUID
    type: str
    schema_version: int
    occurred_at: datetime
    is_ahead: bool
    is_new: bool
    visit_id: UUID | None
    payload: dict[str, Any]
    superseded_by: UUID | None


class Named(NamedTuple):
    """A subject with new events, and whether one of them happened before a moment."""

    subject_kind: str
    subject_id: UUID
    is_late: bool


class _PayloadLoader(Loader):
    format = Format.BINARY

    def load(self, data: Buffer) -> Any:
        """The binary form of jsonb: one byte of version, then its text."""
        return orjson.loads(data[1:])


def superseded_upto(position: int) -> dict[UUID, UUID]:
    """The events that fall to a correction, as known at a position, each with the one that it falls to."""
    corrections = log.events_correcting(upto=position)
    wanted = {row.corrects for row in corrections if row.corrects} - {row.event_id for row in corrections}
    rows = [*corrections, *(row for row in log.events_by_id(wanted) if row.position <= position)]
    found = standings([fold_event(row) for row in rows])
    return {
        event_id: one.by for event_id, one in found.items() if one.word == "superseded" and one.by is not None
    }


def corrected_after(position: int, *, upto: int) -> set[UUID]:
    """The subjects of all events that corrections in (position, upto] may have changed, in either direction."""
    corrections = log.events_correcting(upto=upto)
    wanted = [row.event_id for row in corrections if row.position > position]
    if not wanted:
        return set()
    linked: dict[UUID, set[UUID]] = {}
    for row in corrections:
        if row.corrects is not None:
            linked.setdefault(row.event_id, set()).add(row.corrects)
            linked.setdefault(row.corrects, set()).add(row.event_id)
    found = set(wanted)
    while wanted:
        for neighbour in linked.get(wanted.pop(), set()) - found:
            found.add(neighbour)
            wanted.append(neighbour)
    return {row.subject_id for row in log.events_by_id(found) if row.position <= upto}


_NAMED_SQL = """
SELECT subject_kind, subject_id, bool_or(occurred_at < %s)
FROM public.servicing_event WHERE operator_id = %s AND position > %s AND position <= %s
GROUP BY subject_kind, subject_id
"""
_HUNG_SQL = """
SELECT DISTINCT subject_id, payload->>'station_id'
FROM public.servicing_event WHERE operator_id = %s AND position <= %s AND type IN ('unit.installed', 'unit.moved', 'unit.opened')
"""
_VISITED_SQL = """
SELECT subject_id, array_agg(DISTINCT payload->>'site_id') FILTER (WHERE payload->>'site_id' IS NOT NULL)
FROM public.servicing_event WHERE operator_id = %s AND position <= %s AND subject_kind = 'visit'
GROUP BY subject_id HAVING max(position) > %s OR count(DISTINCT payload->>'site_id') > 1
"""
_INSTALLED_SQL = """
SELECT event_id, occurred_at FROM public.servicing_event
WHERE operator_id = %s AND position <= %s AND type IN ('unit.installed', 'unit.opened') AND occurred_at <= received_at + %s
ORDER BY occurred_at
"""
_WORKED_SQL = """
SELECT event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version, occurred_at,
    occurred_at > received_at + %s, position > %s, visit_id, payload
FROM public.servicing_event
WHERE operator_id = %s AND subject_id = ANY(%s) AND position <= %s
    AND (position > %s OR type = ANY(%s) OR event_id = ANY(%s))
"""


def named_after(position: int, *, upto: int, before: datetime) -> Iterator[Named]:
    """The subjects with an event in (position, upto]; late where one of them happened ``before`` a moment."""
    yield from map(Named._make, _rows(_NAMED_SQL, [before, current_operator_id(), position, upto]))


def stations_of_units(*, upto: int) -> Iterator[tuple[UUID, UUID]]:
    """Every unit with every station that an event ever hung it at, whether the event stands or not."""
    for unit_id, station_id in _rows(_HUNG_SQL, [current_operator_id(), upto]):
        yield unit_id, UUID(station_id)


def sites_of_visits(position: int, *, upto: int) -> Iterator[tuple[UUID, list[UUID]]]:
    """Every visit with an event in (position, upto], and each that ever named two, with the sites its events named."""
    for visit_id, sites in _rows(_VISITED_SQL, [current_operator_id(), upto, position]):
        yield visit_id, [UUID(site_id) for site_id in sites or ()]


def first_installed(*, upto: int, superseded: Mapping[UUID, UUID]) -> datetime | None:
    """When the operator's first unit came into service here, by the events that stand."""
    rows = _rows(_INSTALLED_SQL, [current_operator_id(), upto, AHEAD_TOLERANCE])
    with closing(rows):
        return next((at for event_id, at in rows if event_id not in superseded), None)


def work_of(
    subject_ids: Collection[UUID],
    *,
    upto: int,
    superseded: Mapping[UUID, UUID],
    after: int = 0,
    besides: Sequence[str] = (),
    event_ids: Collection[UUID] = (),
) -> list[Worked]:
    """The events of these subjects in (after, upto], and up to ``after`` those of the types ``besides`` and these ids."""
    values = [AHEAD_TOLERANCE, after, current_operator_id(), list(subject_ids), upto]
    values += [after, list(besides), list(event_ids)]
    found = []
    connection.ensure_connection()
    with psycopg.Cursor(connection.connection) as cursor, log.paused_collection():
        cursor.format = Format.BINARY
        cursor.adapters.register_loader("jsonb", _PayloadLoader)
        cursor.execute(_WORKED_SQL, values)
        for row in cursor:
            if row[6] != _NEWEST[row[5]]:
                row = (*row[:11], upcast(EventType(row[5]), row[6], row[11]))  # noqa: PLW2901
            found.append(_worked((*row, superseded.get(row[0]))))
    return found


_NEWEST = {kind.value: cls.VERSION for kind, cls in PAYLOADS.items()}
_worked = partial(tuple.__new__, Worked)


def _rows(sql: str, values: list[Any]) -> Generator[tuple[Any, ...]]:
    """Some thousands of rows in memory at a time."""
    connection.ensure_connection()
    with psycopg.ServerCursor(connection.connection, "worked") as cursor:
        cursor.format = Format.BINARY
        cursor.execute(sql, values)
        while page := cursor.fetchmany(ROWS_AT_ONCE):
            yield from page


def due_windows(
    terms: Sequence[AgreedTerms], standstills: Sequence[tuple[date, date | None]], until: date
) -> list[tuple[date, date]]:
    """The due days of a site up to ``until`` under its agreements, in order, each with the day on which it opened.

    ``standstills`` by their first and last days (None: open), both included.
    """
    closed = [due.Standstill(first, last) for first, last in standstills]
    found = [
        (day.due_on, day.opens_on)
        for one in terms
        for day in due.due_days(
            due.Terms(
                one.anchor_on,
                one.interval_months,
                one.grace_before_days,
                one.grace_after_days,
                one.starts_on,
                one.ends_on,
            ),
            closed,
            until,
        )
    ]
    return sorted(found)
