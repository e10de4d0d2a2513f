"""From the bytes of a file to rows, and from the cells of a row to values: what can be said without looking at what is stored."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from accounts.errors import BadInput, Problem, TooLarge
from accounts.languages import _, _n
from fleet.rules.importing.columns import DUST, FIXTURES, KINDS, MOST_ROWS, REASON, SITE_KINDS

DELIMITERS = ",;\t"
# A cell is no longer than this: a longer one is a quotation mark that was never closed.
MOST_CELL = 5_000
_DOTTED_DAY = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})\Z")


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the file: the line it ends on, and its cells by column, spaces at their ends dropped."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """A file as it was read: its columns in their order, what stands between cells, and its rows."""

    columns: list[str]
    delimiter: str
    rows: list[Row]


class Unclear(ValueError):
    """A cell that can't be what its column holds; the text is a sentence for the person."""


def read_table(content: bytes, kind: str) -> Table:
    """The rows of a CSV file in UTF-8, its cells parted by commas, semicolons or tabs; empty rows are left out.

    BadInput when it is no such file, when a column that each row needs is missing, or one is there that means nothing
    here; TooLarge for more than 5,000 rows.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _unreadable(_("This file is not in UTF-8. Save it as “CSV UTF-8” and send it again.")) from None
    if "\x00" in text:
        raise _unreadable(_("This is no CSV file. Save the sheet as CSV and send it again."))
    first = text.split("\n", 1)[0]
    delimiter = max(DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        columns = [_column_name(cell) for cell in next(reader, [])]
        _refuse_columns(columns, kind)
        rows = list(_rows(reader, columns))
    except csv.Error:
        raise _unreadable(
            _("The file can't be read after line {line}: a quotation mark is missing.", line=reader.line_num)
        ) from None
    if not rows:
        raise _unreadable(_("There is no row below the names of the columns."))
    return Table(columns, delimiter, rows)


def _rows(reader: Any, columns: Sequence[str]) -> Iterator[Row]:
    count = 0
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        if not any(stripped):
            continue
        count += 1
        if count > MOST_ROWS:
            detail = _("The file has more than {most} rows. Send it in parts.", most=MOST_ROWS)
            raise TooLarge(detail, errors=[Problem("/file", "too-large", detail)])
        if any(len(cell) > MOST_CELL for cell in cells):
            raise csv.Error
        yield Row(reader.line_num, _named(columns, stripped))


def _named(columns: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    """By column; cells beyond the last column stand under "", so that the row is refused."""
    named = dict(zip(columns, cells, strict=False))
    if any(cells[len(columns) :]):
        named[""] = " ".join(cells[len(columns) :])
    return named


def _column_name(cell: str) -> str:
    return cell.strip().casefold().replace(" ", "_")


def _refuse_columns(columns: Sequence[str], kind: str) -> None:
    known = {column.name: column.is_needed for column in KINDS[kind]}
    strange = [name for name in columns if name not in known and name != REASON]
    missing = [name for name, is_needed in known.items() if is_needed and name not in columns]
    if missing:
        names = ", ".join(missing)
        raise _unreadable(
            _n(
                "The first row lacks the column {names}.",
                "The first row lacks the columns {names}.",
                len(missing),
                names=names,
            )
        )
    if strange or len(set(columns)) < len(columns):
        names = ", ".join(strange or sorted({name for name in columns if columns.count(name) > 1}))
        raise _unreadable(
            _("The first row has columns that mean nothing here or stand twice: {names}.", names=names)
        )


def _unreadable(detail: str) -> BadInput:
    return BadInput(detail, errors=[Problem("/file", "unreadable", detail)])


def _text(cell: str) -> str:
    return cell


def _capitals(cell: str) -> str:
    return cell.upper()


def _day(cell: str) -> date:
    """2026-07-01, or 1.7.2026; never with slashes, which are read in two ways."""
    dotted = _DOTTED_DAY.match(cell)
    try:
        if dotted:
            return date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
        return date.fromisoformat(cell)
    except ValueError:
        raise Unclear(_("{cell} is no day, such as 2026-07-01.", cell=cell)) from None


def _whole(cell: str) -> int:
    if not re.fullmatch(r"\d{1,6}", cell, re.ASCII):
        raise Unclear(_("{cell} is no whole number.", cell=cell))
    return int(cell)


def _degrees(cell: str) -> Decimal:
    """With a point or a comma before the decimals; six of them are kept, a tenth of a metre."""
    try:
        number = Decimal(cell.replace(",", "."))
    except InvalidOperation:
        raise Unclear(_("{cell} is no number of degrees, such as 53.5461.", cell=cell)) from None
    if not number.is_finite() or abs(number) > 180:  # noqa: PLR2004 - degrees
        raise Unclear(_("{cell} is no number of degrees, such as 53.5461.", cell=cell))
    return round(number, 6)


def _one_of(*words: str) -> Callable[[str], str]:
    def read(cell: str) -> str:
        word = cell.casefold().replace(" ", "_")
        if word not in words:
            raise Unclear(_("{cell} is none of {words}.", cell=cell, words=", ".join(words)))
        return word

    return read


_READERS: Mapping[str, Callable[[str], Any]] = {
    "country": _capitals,
    "starts_on": _day,
    "anchor_on": _day,
    "ends_on": _day,
    "interval_months": _whole,
    "grace_before_days": _whole,
    "grace_after_days": _whole,
    "hardness_mg_per_l": _whole,
    "latitude": _degrees,
    "longitude": _degrees,
    "kind": _one_of(*SITE_KINDS),
    "dust": _one_of(*DUST),
    "fixture": _one_of(*FIXTURES),
}


def read_cells(kind: str, cells: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """The values of a row's filled cells, and a sentence for each cell that is wrong or missing."""
    values: dict[str, Any] = {}
    wrong: list[str] = []
    for column in KINDS[kind]:
        cell = cells.get(column.name, "")
        if not cell and column.is_needed:
            wrong.append(_("The column {name} is empty.", name=column.name))
        elif cell:
            try:
                values[column.name] = _READERS.get(column.name, _text)(cell)
            except Unclear as unclear:
                wrong.append(f"{column.name}: {unclear}")
    if "" in cells:
        wrong.append(_("The row has more cells than there are columns: {cells}.", cells=cells[""]))
    return values, wrong
