"""The log as a rebuild of units reads it: plain values, subject by subject in canonical order."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
import psycopg
from django.db import connection
from psycopg.adapt import Buffer, Loader
from psycopg.pq import Format

from accounts.tenancy import current_operator_id
from servicing.rules.fold import AHEAD_TOLERANCE

# The subject, type, version, time (UTC, without zone), device and its sequence, event id, whether its clock is ahead by
# more than the tolerance, and the payload. Ids are text.
PlainLine = tuple[str, str, int, datetime, str, int, str, bool, dict[str, Any]]

AT_ONCE = 5_000
_ALL = 2**62

_LINES_SQL = """
SELECT subject_id::text, type, schema_version, occurred_at AT TIME ZONE 'UTC', device_id::text, device_sequence,
    event_id::text, occurred_at > received_at + %s, payload
FROM public.servicing_event WHERE operator_id = %s AND subject_id = ANY(%s) AND position <= %s
ORDER BY subject_id, occurred_at, device_id, device_sequence, event_id
"""


class _PayloadLoader(Loader):
    format = Format.BINARY

    def load(self, data: Buffer) -> Any:
        """The binary form of jsonb: one byte of version, then its text."""
        return orjson.loads(data[1:])


def plain_lines(subject_ids: Collection[UUID], *, upto: int | None = None) -> Iterator[PlainLine]:
    """The events of these subjects at or before a position, some thousands in memory at a time."""
    connection.ensure_connection()
    with psycopg.ServerCursor(connection.connection, "plain_lines") as cursor:
        cursor.format = Format.BINARY
        cursor.adapters.register_loader("jsonb", _PayloadLoader)
        last = _ALL if upto is None else upto
        cursor.execute(_LINES_SQL, [AHEAD_TOLERANCE, current_operator_id(), list(subject_ids), last])
        while page := cursor.fetchmany(AT_ONCE):
            yield from page


_ENTANGLED_SQL = """
SELECT event_id FROM public.servicing_event
WHERE operator_id = %(operator)s AND subject_id = ANY(%(subjects)s) AND position <= %(last)s AND (
    corrects IS NOT NULL OR event_id IN (
        SELECT corrects FROM public.servicing_event
        WHERE operator_id = %(operator)s AND corrects IS NOT NULL AND position <= %(last)s
    )
)
"""


def entangled_ids(subject_ids: Collection[UUID], *, upto: int | None = None) -> list[UUID]:
    """The events of these subjects that correct another or are corrected."""
    values: Any = {
        "operator": current_operator_id(),
        "subjects": list(subject_ids),
        "last": _ALL if upto is None else upto,
    }
    with connection.cursor() as cursor:
        cursor.execute(_ENTANGLED_SQL, values)
        return [event_id for (event_id,) in cursor.fetchall()]
