"""Every row of an operator, table by table, as text: for whoever takes everything along. Inside the operator's scope.

Tables and columns are those of the models, so that a new one is written out without anybody remembering it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.contrib.postgres.fields import ArrayField
from django.db import connection, models

from accounts.errors import Conflict
from accounts.languages import _
from accounts.models import Operator
from accounts.tenancy import current_operator_id

AT_ONCE = 2_000
# Of what may be megabytes.
CONTENTS_AT_ONCE = 4
# How a value is written where PostgreSQL's own text is not what others read: ISO 8601 in UTC, hexadecimal, JSON.
_SAID = {
    "timestamp with time zone": """to_char({0} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')""",
    "bytea": "encode({0}, 'hex')",
    "array": "to_jsonb({0})::text",
}
# Who works for the operator, or was let in by it: of people, who belong to no operator, that much.
PEOPLE_COLUMNS = ("id", "email", "name")
_PEOPLE = """
SELECT u.id::text, u.email, u.name FROM accounts_user u WHERE u.id IN (
    SELECT m.user_id FROM accounts_member m WHERE m.operator_id = %(operator)s
    UNION SELECT g.user_id FROM accounts_supportgrant g WHERE g.operator_id = %(operator)s
) ORDER BY u.id
"""


@dataclass(frozen=True, slots=True)
class Column:
    """``type`` as PostgreSQL calls it. ``refers_to``: the table whose id it holds, or "". ``help`` is the model's own."""

    name: str
    type: str
    may_be_null: bool
    refers_to: str
    help: str
    choices: tuple[str, ...]

    @property
    def is_text(self) -> bool:
        return self.type.startswith(("varchar", "text"))


@dataclass(frozen=True, slots=True)
class Table:
    """``about``: what the model says of itself, or "". ``key``: the columns by which its rows are ordered."""

    name: str
    about: str
    owner_column: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heads:
    """How far the log of work and the audit have come: whatever is written later stands after these."""

    position: int
    number: int


def tables() -> list[Table]:
    """The operator's own row first, then every table of an operator by its name."""
    found = [_table(model, "operator_id") for model in apps.get_models() if _is_of_operators(model)]
    return [_table(Operator, "id"), *sorted(found, key=lambda table: table.name)]


def _is_of_operators(model: type[models.Model]) -> bool:
    return any(field.name == "operator" and field.related_model is Operator for field in model._meta.fields)


def _table(model: type[models.Model], owner_column: str) -> Table:
    meta = model._meta
    said = model.__doc__ or ""
    return Table(
        name=meta.db_table,
        # Django gives a model without words its name and fields.
        about="" if said.startswith(f"{model.__name__}(") else " ".join(said.split()),
        owner_column=owner_column,
        columns=tuple(_column(field) for field in meta.local_concrete_fields),
        key=tuple(str(field.column) for field in meta.pk_fields),
    )


def _column(field: models.Field[Any, Any]) -> Column:
    kind = "array" if isinstance(field, ArrayField) else field.db_type(connection) or ""
    target = field.related_model if field.is_relation else None
    return Column(
        name=str(field.column),
        type=kind,
        may_be_null=field.null,
        refers_to=target._meta.db_table if isinstance(target, type) else "",
        help=str(field.help_text),
        choices=tuple(str(value) for value, _words in field.flatchoices),
    )


def one_at_a_time() -> None:
    """Hold until the end of the transaction that this operator is written out. Conflict when another does so."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_try_advisory_xact_lock(hashtextextended('everything/' || %s, 0))",
            [str(current_operator_id())],
        )
        if not cursor.fetchone()[0]:
            raise Conflict(_("Everything is being written out at this moment. Wait until that has ended."))


def heads() -> Heads:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce((SELECT max(position) FROM servicing_event WHERE operator_id = %(operator)s), 0), "
            "coalesce((SELECT max(number) FROM accounts_auditentry WHERE operator_id = %(operator)s), 0)",
            {"operator": current_operator_id()},
        )
        return Heads(*cursor.fetchone())


def count_rows(table: Table) -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            f'SELECT count(*) FROM "{table.name}" WHERE "{table.owner_column}" = %s', [current_operator_id()]
        )
        return cursor.fetchone()[0]


def rows_through(table: Table, columns: Sequence[Column]) -> Iterator[Sequence[str | None]]:
    """Every row by the table's key, its values as text in the order of ``columns``; None for NULL."""
    wanted = ", ".join(_said(column) for column in columns)
    order = ", ".join(f'"{name}"' for name in table.key)
    sql = f'SELECT {wanted} FROM "{table.name}" WHERE "{table.owner_column}" = %s ORDER BY {order}'
    return _through(sql, [current_operator_id()], AT_ONCE)


def contents_through(table: str, names: Collection[str], content: str) -> Iterator[Sequence[Any]]:
    """Of each row the columns ``names`` as text, and at the end the bytes of ``content``; few rows at a time."""
    wanted = ", ".join([*(f'"{name}"::text' for name in names), f'"{content}"'])
    sql = f'SELECT {wanted} FROM "{table}" WHERE operator_id = %s ORDER BY id'
    return _through(sql, [current_operator_id()], CONTENTS_AT_ONCE)


def people_through() -> Iterator[Sequence[str | None]]:
    """``PEOPLE_COLUMNS`` of whoever works or worked for the operator."""
    return _through(_PEOPLE, {"operator": current_operator_id()}, AT_ONCE)


def _said(column: Column) -> str:
    return _SAID.get(column.type, "{0}::text").format(f'"{column.name}"')


def _through(sql: str, values: Any, at_once: int) -> Iterator[Sequence[Any]]:
    """By a cursor of the server's: as many rows are here as are taken at a time."""
    with connection.chunked_cursor() as cursor:
        cursor.execute(sql, values)
        while rows := cursor.fetchmany(at_once):
            yield from rows
