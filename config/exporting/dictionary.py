"""The list that explains every column of every table, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from accounts.queries.everything import Column, Table
from config.exporting import left_out

COLUMNS = ("table", "what_a_row_is", "column", "type", "may_be_empty", "what_it_says")
# Of tables whose model says nothing of itself: their name says it here.
TABLES = {
    "accounts_crew": "Who goes out together.",
    "accounts_member": "A person who works for the operator, in one role; people.csv has their address.",
    "accounts_operator": "The operator itself.",
    "fleet_restroom": "A room at a site with fixtures in it.",
    "fleet_unitmodel": "A kind of unit.",
}
# How a name ends that has its unit or its kind in it.
ENDINGS = {
    "_at": "an instant, ISO 8601 in UTC",
    "_on": "a day",
    "_ml": "in millilitres",
    "_mm": "in millimetres",
    "_days": "a number of days",
    "_sha256": "a SHA-256, hexadecimal",
    "_hash": "a SHA-256, hexadecimal",
}
TYPES = {
    "array": "a JSON list",
    "boolean": "true or false",
    "bytea": "bytes, hexadecimal",
    "date": "a day",
    "jsonb": "JSON",
    "timestamp with time zone": "an instant, ISO 8601 in UTC",
}


def written(table: Table) -> list[Column]:
    """The columns of a table that are written out."""
    return [column for column in table.columns if (table.name, column.name) not in left_out.COLUMNS]


def rows(tables: Iterable[Table]) -> Iterator[Sequence[str | None]]:
    """``COLUMNS`` for every column that is written out."""
    for table in tables:
        about = table.about or TABLES.get(table.name, "")
        for column in written(table):
            yield table.name, about, column.name, column.type, _yes(column), said(table, column)


def said(table: Table, column: Column) -> str:
    """What stands in a column, in words."""
    if column.name == table.owner_column:
        return "the operator; the same in every row"
    told = [column.help] if column.help else []
    if column.refers_to:
        told.append(f"the id of a row of {_file_of(column.refers_to)}")
    if column.choices:
        told.append("one of: " + ", ".join(value or '""' for value in column.choices))
    if not told:
        by_ending = (words for ending, words in ENDINGS.items() if column.name.endswith(ending))
        told.append(next(by_ending, TYPES.get(column.type, column.name.replace("_", " "))))
    if column.name in table.key:
        told.append("part of the key" if len(table.key) > 1 else "the key")
    return "; ".join(told)


def _yes(column: Column) -> str:
    return "yes" if column.may_be_null else "no"


def _file_of(table: str) -> str:
    return "people" if table == "accounts_user" else table
