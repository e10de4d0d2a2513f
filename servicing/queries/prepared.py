"""Statements that each connection keeps prepared: planned once, their parameters beside them, JSON read by orjson."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

import orjson
import psycopg
from django.conf import settings
from django.db import connection
from psycopg.adapt import Buffer, Loader
from psycopg.pq import Format

_NEVER_BY_ITSELF = 2**31


class _PreparedCursor(psycopg.Cursor[Any]):
    def execute(self, query: Any, params: Any = None, **_: Any) -> Any:
        return super().execute(query, params, prepare=not settings.POOLED, binary=True)


class _JsonLoader(Loader):
    format = Format.BINARY

    def load(self, data: Buffer) -> Any:
        return orjson.loads(data if isinstance(data, bytes) else memoryview(data))


# From here to commit what is prepared is planned once for all values. Such a plan stays: one that reads a table from
# end to end, right while it is short, must not be among them.
PLAN_ONCE = (
    "set_config('plan_cache_mode', 'force_generic_plan', true), set_config('enable_seqscan', 'off', true), "
    "set_config('jit', 'off', true)"
)


def plan_once() -> None:
    """Let the rest of the transaction plan its prepared statements once, by keys."""
    row_of(f"SELECT {PLAN_ONCE}", {})


def row_of(sql: str, values: Mapping[str, Any]) -> tuple[Any, ...]:
    """The one row that a statement gives. Every parameter is text or a UUID, so that its types never differ."""
    connection.ensure_connection()
    # Django turns preparing off (None). On, but for nothing that does not ask for it.
    connection.connection.prepare_threshold = _NEVER_BY_ITSELF
    with _PreparedCursor(connection.connection) as cursor:
        cursor.adapters.register_loader("json", _JsonLoader)
        wrap: Any = connection.make_debug_cursor if connection.queries_logged else connection.make_cursor
        wrapped = wrap(cursor)
        wrapped.execute(sql, values)
        row: tuple[Any, ...] = wrapped.fetchone()
        return row


def array(ids: Iterable[UUID | str]) -> str:
    """Ids as the text of an array: to be cast to uuid[]."""
    return "{" + ",".join(map(str, ids)) + "}"
