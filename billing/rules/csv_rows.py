"""Rows as CSV text after RFC 4180: a header, commas, quotes doubled, CRLF after each record; UTF-8.

A text that a spreadsheet would take for a formula gets an apostrophe before it; numbers and dates stand as they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal

Cell = str | int | Decimal | date | None
END = "\r\n"
# What begins a formula in common spreadsheets, also after a tab or a line break.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_TO_QUOTE = frozenset(',"\r\n')


def csv_rows(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    """The header's record, then each row's; joined they are the file. ValueError for a row of another length."""
    yield _record(header)
    for row in rows:
        if len(row) != len(header):
            raise ValueError(f"A row has {len(row)} fields, the header {len(header)}.")
        yield _record(row)


def _record(cells: Iterable[Cell]) -> str:
    return ",".join(_field(cell) for cell in cells) + END


def _field(cell: Cell) -> str:
    text = _text(cell)
    if _TO_QUOTE.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return f"'{cell}" if cell.startswith(_FORMULA) else cell
    return format(cell, "f") if isinstance(cell, Decimal) else str(cell)
