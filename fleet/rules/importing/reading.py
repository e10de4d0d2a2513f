"""From the bytes of a file to rows: CSV here, workbooks beside."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

from accounts.languages import _
from fleet.rules.importing.columns import MOST_ROWS
from fleet.rules.importing.guarding import unguarded
from fleet.rules.importing.tables import (
    MOST_CELL,
    Row,
    Table,
    Tell,
    column_names,
    counted,
    named,
    refuse_columns,
    unreadable,
)
from fleet.rules.importing.workbooks import is_workbook, read_workbook

DELIMITERS = ",;\t"
# How a compound file begins: workbooks of before 2007, and newer ones behind a password.
_COMPOUND = b"\xd0\xcf\x11\xe0"


def read_table(content: bytes, kind: str, *, most: int = MOST_ROWS, tell: Tell | None = None) -> Table:
    """The rows of a file: CSV in UTF-8 parted by commas, semicolons or tabs, or an XLSX workbook; empty rows are left out.

    BadInput when it is no such file, when a column that each row needs is missing, or one is there that means nothing
    here; TooLarge for more than ``most`` rows. ``tell`` hears how many rows were read.
    """
    if is_workbook(content):
        return read_workbook(content, kind, most=most, tell=tell)
    if content.startswith(_COMPOUND):
        raise unreadable(
            _(
                "This workbook is of an older kind, or behind a password. Save it as XLSX or as CSV, and without one."
            )
        )
    return _read_csv(content, kind, most, tell)


def _read_csv(content: bytes, kind: str, most: int, tell: Tell | None) -> Table:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise unreadable(_("This file is not in UTF-8. Save it as “CSV UTF-8” and send it again.")) from None
    if "\x00" in text:
        raise unreadable(_("This is no CSV file. Save the sheet as CSV and send it again."))
    first = text.split("\n", 1)[0]
    delimiter = max(DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        columns = column_names(next(reader, []))
        refuse_columns(columns, kind)
        rows = counted(_rows(reader, columns), most, tell)
    except csv.Error:
        raise unreadable(
            _("The file can't be read after line {line}: a quotation mark is missing.", line=reader.line_num)
        ) from None
    return Table(columns, delimiter, rows)


def _rows(reader: Any, columns: Sequence[str]) -> Iterator[Row]:
    for cells in reader:
        stripped = [unguarded(cell.strip()) for cell in cells]
        if not any(stripped):
            continue
        # A longer one is a quotation mark that was never closed.
        if any(len(cell) > MOST_CELL for cell in cells):
            raise csv.Error
        yield Row(reader.line_num, named(columns, stripped))
