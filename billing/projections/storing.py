"""Writing what a close made: one statement a table, its rows in one JSON parameter. Thousands a close, so no row is a model."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from typing import Any
from uuid import UUID

import orjson
from django.db import connection, models

from accounts.ids import uuid7
from accounts.tenancy import current_operator_id
from billing.models import Charge, Document, DocumentLine, EventDisposition, PeriodClose
from billing.rules.dispositions import Disposition
from billing.rules.invoicing import Line

ROWS_AT_ONCE = 5_000


def store_inputs(close: PeriodClose, part: int, inputs: bytes) -> None:
    """What one part of a close read, as its canonical bytes."""
    sha256 = hashlib.sha256(inputs).hexdigest()
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO billing_closeinputs (operator_id, id, close_id, part, inputs, inputs_sha256) "
            "VALUES (%s, %s, %s, %s, %s::jsonb, %s)",
            [current_operator_id(), uuid7(), close.id, part, inputs.decode(), sha256],
        )


def store_dispositions(close: PeriodClose, dispositions: Iterable[Disposition]) -> None:
    _insert(EventDisposition, [{"close_id": close.id, **_fields(one)} for one in dispositions])


def store_charges(close: PeriodClose, lines: Iterable[Line]) -> list[tuple[UUID, Line]]:
    """The lines as charge rows, in their order, each with its new row's id."""
    rows = [(uuid7(), line) for line in sorted(lines, key=lambda line: line.sort_key)]
    _insert(
        Charge,
        [
            {
                "id": row_id,
                "close_id": close.id,
                "kind": str(line.kind),
                **_fields(line.charge, without="billed_with"),
            }
            for row_id, line in rows
        ],
    )
    return rows


def store_invoices(invoices: Iterable[dict[str, Any]], lines: Iterable[dict[str, Any]]) -> None:
    """Rows by column; ``lines`` name invoices and charges that are stored, by then."""
    _insert(Document, list(invoices))
    _insert(DocumentLine, list(lines))


def _fields(record: Any, *, without: str = "") -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__slots__ if name != without}


def _insert(model: type[models.Model], rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    for row in rows:
        row.setdefault("id", uuid7())
    with connection.cursor() as cursor:
        for start in range(0, len(rows), ROWS_AT_ONCE):
            text = orjson.dumps(rows[start : start + ROWS_AT_ONCE], default=_text).decode()
            cursor.execute(_insert_sql(model, frozenset(rows[0])), [current_operator_id(), text])


@cache
def _insert_sql(model: type[models.Model], given: frozenset[str]) -> str:
    """Of the columns that the rows give; the others have their defaults in the database."""
    types = {
        field.column: field.db_type(connection)
        for field in model._meta.concrete_fields
        if field.column in given
    }
    columns = ", ".join(f'"{column}"' for column in types)
    shape = ", ".join(f'"{column}" {kind}' for column, kind in types.items())
    return (
        f"INSERT INTO {model._meta.db_table} (operator_id, {columns}) "
        f"SELECT %s, {columns} FROM jsonb_to_recordset(%s::jsonb) AS ({shape})"
    )


def _text(value: object) -> str:
    """Decimals as plain text: what the database reads is what was rated, to the last digit."""
    return format(value, "f")
