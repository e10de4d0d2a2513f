"""Writing what a close made: one statement for some thousands of rows, given as one JSON parameter, so no row is a model."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields
from functools import cache
from itertools import islice
from typing import Any
from uuid import UUID

import orjson
import psycopg
from django.db import DEFAULT_DB_ALIAS, connections, models

from accounts.ids import uuid7
from accounts.tenancy import current_operator_id
from billing.models import Charge, CloseInputs, Document, DocumentLine, EventDisposition, PeriodClose
from billing.rules import rating
from billing.rules.dispositions import Disposition
from billing.rules.invoicing import Line

ROWS_AT_ONCE = 5_000
_DISPOSITION = tuple(field.name for field in fields(Disposition))
_CHARGE = tuple(field.name for field in fields(rating.Charge) if field.name != "billed_with")


def store_inputs(close: PeriodClose, part: int, inputs: bytes) -> None:
    """What one part of a close read, as its canonical bytes."""
    sha256 = hashlib.sha256(inputs).hexdigest()
    rows = b"".join((b'[{"part":%d,"inputs_sha256":"%s","inputs":' % (part, sha256.encode()), inputs, b"}]"))
    _send(CloseInputs, ("part", "inputs_sha256", "inputs"), rows, {"close_id": close.id})


def disposition_rows(dispositions: Iterable[Disposition]) -> Iterator[bytes]:
    """Dispositions as they are stored, some thousands at a time."""
    rest = iter(dispositions)
    while some := list(islice(rest, ROWS_AT_ONCE)):
        yield orjson.dumps(some)


def store_dispositions(close: PeriodClose, rows: Iterable[bytes]) -> None:
    for some in rows:
        _send(EventDisposition, _DISPOSITION, some, {"close_id": close.id})


def store_charges(close: PeriodClose, lines: Iterable[Line]) -> list[tuple[UUID, Line]]:
    """The lines as charge rows, in their order, each with its new row's id."""
    ordered = sorted(lines, key=lambda line: line.sort_key)
    ids = new_ids(len(ordered))
    for start in range(0, len(ordered), ROWS_AT_ONCE):
        some = ordered[start : start + ROWS_AT_ONCE]
        rows = orjson.dumps([line.charge for line in some], default=decimal_text)
        beside: dict[str, list[Any]] = {
            "id": ids[start : start + ROWS_AT_ONCE],
            "kind": [str(line.kind) for line in some],
        }
        _send(Charge, _CHARGE, rows, {"close_id": close.id}, beside)
    return list(zip(ids, ordered, strict=True))


def store_invoices(invoices: Iterable[dict[str, Any]], lines: Iterable[dict[str, Any]]) -> None:
    """Rows by column; ``lines`` name invoices and charges that are stored, by then."""
    _insert_large(Document, list(invoices))
    _insert(DocumentLine, list(lines))


def new_ids(count: int) -> list[UUID]:
    """So many ids in a row: a UUIDv7 and those that follow it, which takes a fraction of drawing each."""
    first = uuid7().int >> 32 << 32
    return [UUID(int=first + place) for place in range(count)]


def _insert(model: type[models.Model], rows: list[dict[str, Any]]) -> None:
    for start in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[start : start + ROWS_AT_ONCE]
        _send(model, tuple(some[0]), orjson.dumps(some, default=decimal_text), {})


def _insert_large(model: type[models.Model], rows: list[dict[str, Any]]) -> None:
    """Rows of some hundred kilobytes, one by one: within one JSON text all would be escaped and parsed twice."""
    if not rows:
        return
    types = _types(model)
    names = ", ".join(f'"{name}"' for name in rows[0])
    places = ", ".join(f"%s::{types[name]}" for name in rows[0])
    sql = f"INSERT INTO {model._meta.db_table} (operator_id, {names}) VALUES (%s, {places})"
    with _cursor() as cursor:
        cursor.executemany(
            sql, [[current_operator_id(), *(_plain(value) for value in row.values())] for row in rows]
        )


def _plain(value: Any) -> Any:
    return orjson.dumps(value).decode() if isinstance(value, dict) else value


def _send(
    model: type[models.Model],
    columns: Sequence[str],
    rows: bytes,
    common: dict[str, Any],
    beside: dict[str, list[Any]] | None = None,
) -> None:
    """Insert rows given as JSON; ``common``: columns that are the same in all, ``beside``: columns given as lists.

    Columns of which nothing is said have their defaults in the database, and without an id the database makes one.
    """
    lists = beside or {}
    sql = _insert_sql(model, tuple(columns), tuple(common), tuple(lists))
    with _cursor() as cursor:
        cursor.execute(sql, [current_operator_id(), *common.values(), rows.decode(), *lists.values()])


@contextmanager
def _cursor() -> Iterator[psycopg.Cursor[Any]]:
    """A cursor of Django's connection whose parameters travel beside the statement: megabytes that nobody parses as SQL."""
    django = connections[DEFAULT_DB_ALIAS]
    django.ensure_connection()
    with psycopg.Cursor(django.connection) as cursor:
        yield cursor


@cache
def _insert_sql(
    model: type[models.Model], columns: tuple[str, ...], common: tuple[str, ...], lists: tuple[str, ...]
) -> str:
    types = _types(model)
    shape = ", ".join(f'"{name}" {types[name]}' for name in columns)
    source = f"jsonb_to_recordset(%s::jsonb) AS ({shape})"
    source = ", ".join([source, *(f"unnest(%s::{types[name].split('(')[0]}[])" for name in lists)])
    names = ", ".join(f'"{name}"' for name in (*columns, *lists))
    own_id = "" if "id" in (*columns, *lists) else ", uuidv7()"
    return (
        f"INSERT INTO {model._meta.db_table} (operator_id{''.join(f', {c}' for c in common)}, {names}"
        f"{', id' if own_id else ''}) SELECT %s{''.join(f', %s::{types[c]}' for c in common)}, {names}{own_id} "
        f"FROM ROWS FROM ({source}) AS given ({names})"
    )


def _types(model: type[models.Model]) -> dict[str, str]:
    connection = connections[DEFAULT_DB_ALIAS]
    return {str(field.column): field.db_type(connection) or "" for field in model._meta.concrete_fields}


def decimal_text(value: object) -> str:
    """Decimals as plain text: what the database reads is what was rated, to the last digit."""
    return format(value, "f")
