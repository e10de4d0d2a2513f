"""Rows and what was said of them as JSON, to be put aside between the look at a file and the import."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from fleet.rules.importing.judging import Fate, Line, Seen
from fleet.rules.importing.tables import Row, Table


def rows_packed(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """The rows of a table of these columns."""
    return _dumped(
        [[row.line, [row.cells.get(name, "") for name in (*columns, "")], row.wrong] for row in rows]
    )


def rows_of(columns: Sequence[str], packed: bytes) -> list[Row]:
    """What ``rows_packed`` packed; a cell under "" was of a row that had more cells than there are columns."""
    return [
        Row(line, _without_rest(dict(zip((*columns, ""), cells, strict=True))), wrong)
        for line, cells, wrong in json.loads(packed)
    ]


def _without_rest(cells: dict[str, str]) -> dict[str, str]:
    if not cells[""]:
        del cells[""]
    return cells


def table_packed(table: Table) -> str:
    """A whole table as text."""
    rows = rows_packed(table.columns, table.rows).decode()
    return json.dumps([table.columns, table.delimiter, table.notes, rows], ensure_ascii=False)


def table_of(packed: str) -> Table:
    """What ``table_packed`` packed."""
    columns, delimiter, notes, rows = json.loads(packed)
    return Table(columns, delimiter, rows_of(columns, rows.encode()), notes)


def lines_packed(lines: Iterable[Line]) -> bytes:
    """Lines with their values."""
    return _dumped(
        [
            [line.line, line.cells, str(line.fate), {n: _out(v) for n, v in line.values.items()}, line.wrong]
            for line in lines
        ]
    )


def lines_of(packed: bytes) -> list[Line]:
    """What ``lines_packed`` packed."""
    return [
        Line(line, cells, Fate(fate), {name: _in(value) for name, value in values.items()}, wrong)
        for line, cells, fate, values, wrong in json.loads(packed)
    ]


def seen_packed(seen: Seen) -> bytes:
    """What the rows so far said."""
    terms = [
        [str(site_id), [[str(start), end and str(end)] for start, end in terms]]
        for site_id, terms in seen.terms.items()
    ]
    stations = [[str(station_id), line] for station_id, line in seen.stations.items()]
    return _dumped([[[*key, line] for key, line in seen.keys.items()], stations, terms])


def seen_of(packed: bytes) -> Seen:
    """What ``seen_packed`` packed."""
    keys, stations, terms = json.loads(packed)
    return Seen(
        {tuple(key): line for *key, line in keys},
        {UUID(station_id): line for station_id, line in stations},
        {
            UUID(site_id): [(date.fromisoformat(start), end and date.fromisoformat(end)) for start, end in of]
            for site_id, of in terms
        },
    )


def _dumped(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


def _out(value: Any) -> Any:
    """Plain values as they are; the others with their kind."""
    if isinstance(value, UUID):
        return {"id": str(value)}
    if isinstance(value, date):
        return {"day": value.isoformat()}
    if isinstance(value, Decimal):
        return {"number": str(value)}
    return value


_KINDS: dict[str, Callable[[str], Any]] = {"id": UUID, "day": date.fromisoformat, "number": Decimal}


def _in(value: Any) -> Any:
    if isinstance(value, dict):
        ((kind, text),) = value.items()
        return _KINDS[kind](text)
    return value
