"""XLSX workbooks (ECMA-376) as tables, and tables as workbooks.

Read are the cells of one sheet that can be seen, as they stand there: no formula is worked out, no link is followed, and no
more is unpacked than a file of rows can need.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.etree.ElementTree import ParseError

from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import InvalidFileException

from accounts.languages import _
from fleet.rules.importing.columns import DAYS
from fleet.rules.importing.crowding import LAST_LINE, is_crowded
from fleet.rules.importing.tables import (
    MOST_CELL,
    MOST_COLUMNS,
    Row,
    Table,
    Tell,
    column_name,
    column_names,
    counted,
    named,
    refuse_columns,
    too_large,
    unreadable,
)

MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
_ZIP = b"PK\x03\x04"
# Unpacked, 100,000 rows of the widest kind take some 80 MB.
MOST_UNPACKED = 256 * 1024 * 1024
# While a page waits for it.
MOST_AT_ONCE = 24 * 1024 * 1024
# Of parts that are held in memory as a whole; and of the texts that cells share.
MOST_PART, MOST_TEXTS = 4 * 1024 * 1024, 64 * 1024 * 1024
MOST_ENTRIES = 2_000
# A number keeps 15 digits (IEEE 754): a longer one is not what was typed.
_MOST_NUMBER = 10**15
_BLOCK = 1024 * 1024
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})[\"']")
_DEFINITION = re.compile(rb"<!DOCTYPE|<!ENTITY|\A(?:\xff\xfe|\xfe\xff)")
# Longer than what is looked for, so that none is cut in two between blocks.
_OVERLAP = 256
# Characters that XML 1.0 has no way to write.
_UNWRITABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_BROKEN = (
    ArithmeticError, AttributeError, EOFError, InvalidFileException, LookupError, OSError, ParseError,
    RecursionError, RuntimeError, TypeError, ValueError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip


def is_workbook(content: bytes) -> bool:
    """Whether it begins as a ZIP file does."""
    return content.startswith(_ZIP)


def unpacked_bytes(content: bytes) -> int:
    """How large a workbook says it is when it is unpacked; no more than that is read of it. 0 for what is none."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            return sum(entry.file_size for entry in archive.infolist())
    except _BROKEN:
        return 0


def read_workbook(content: bytes, kind: str, *, most: int, tell: Tell | None = None) -> Table:
    """The rows of the sheet named as the kind, or of the only one that can be seen and is not empty.

    BadInput for what is no such workbook, TooLarge for one of more rows or larger parts than are taken.
    """
    try:
        _refuse_dangers(content)
        book = load_workbook(io.BytesIO(content), read_only=True, keep_links=False)
        sheet, notes = _chosen(book, kind)
        _refuse_merged(content, sheet)
        lines = _lines(sheet)
        header = next(lines, (0, ()))
        columns = column_names(_said(cell) for cell in header[1])
        refuse_columns(columns, kind)
        return Table(columns, ",", counted(_rows(lines, columns), most, tell), notes)
    except _BROKEN as fault:
        raise unreadable(
            _("This workbook can't be read. Save it anew as XLSX, or as CSV, and send that.")
        ) from fault


def _refuse_dangers(content: bytes) -> None:
    """By the list of its parts and by how each begins, before any is taken apart."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        entries = archive.infolist()
        sizes = {entry.filename: entry.file_size for entry in entries}
        if len(entries) > MOST_ENTRIES or sum(sizes.values()) > MOST_UNPACKED:
            raise too_large(_("This workbook is too large when it is unpacked. Send it in parts, or as CSV."))
        if "xl/workbook.xml" not in sizes:
            raise unreadable(_("This file is no XLSX workbook. Save the sheet as XLSX or as CSV."))
        for name, size in sizes.items():
            is_long = name.startswith("xl/worksheets/") or not name.endswith((".xml", ".rels"))
            if not is_long and size > (MOST_TEXTS if name == "xl/sharedStrings.xml" else MOST_PART):
                raise too_large(
                    _("This workbook is too large when it is unpacked. Send it in parts, or as CSV.")
                )
        for name in sizes:
            if name.endswith((".xml", ".rels")):
                _refuse_definitions(archive, name)
                with archive.open(name) as part:
                    if is_crowded(part, name):
                        raise too_large(
                            _("This workbook is too large when it is unpacked. Send it in parts, or as CSV.")
                        )


def _refuse_definitions(archive: zipfile.ZipFile, name: str) -> None:
    """Parts are in UTF-8 and define no entities of their own (ECMA-376 part 2: no DTD). The reader refuses them later too."""
    if any(found for found in _found_in(archive, name, _DEFINITION)):
        raise unreadable(_("This workbook has parts that no table needs. Save it anew as XLSX, or as CSV."))


def _found_in(archive: zipfile.ZipFile, name: str, wanted: re.Pattern[bytes]) -> Iterator[re.Match[bytes]]:
    """Where a part has something, read a block at a time."""
    with archive.open(name) as part:
        kept = b""
        while block := part.read(_BLOCK):
            yield from wanted.finditer(kept + block)
            kept = block[-_OVERLAP:]


def _chosen(book: Any, kind: str) -> tuple[Any, list[str]]:
    """The sheet to read, and what is said of the others."""
    visible = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
    hidden = [sheet.title for sheet in book.worksheets if sheet.sheet_state != "visible"]
    notes = [_("Hidden sheets are not read: {names}.", names=", ".join(hidden))] if hidden else []
    called = [sheet for sheet in visible if column_name(sheet.title) == kind]
    filled = called or [sheet for sheet in visible if next(_lines(sheet), None)]
    if not filled:
        raise unreadable(_("No sheet of this workbook that can be seen has anything in it."))
    if len(filled) > 1:
        raise unreadable(
            _(
                "Several sheets of this workbook have rows: {names}. Leave only one, or call the one that counts {kind}.",
                names=", ".join(sheet.title for sheet in filled),
                kind=kind,
            )
        )
    if called and len(visible) > 1:
        passed = [sheet.title for sheet in visible if sheet is not filled[0]]
        notes.append(_("Read is the sheet {name}; not read: {names}.", name=kind, names=", ".join(passed)))
    return filled[0], notes


def _refuse_merged(content: bytes, sheet: Any) -> None:
    """What a merged cell says of its other rows is anybody's guess."""
    path = sheet._worksheet_path  # noqa: SLF001 - a sheet that is only read does not tell of merged cells
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for found in _found_in(archive, path.lstrip("/"), _MERGED):
            cells = found[1].decode()
            raise unreadable(
                _("The cells {cells} are merged. Undo that, so that each row says its own.", cells=cells)
            )


def _lines(sheet: Any) -> Iterator[tuple[int, tuple[Any, ...]]]:
    """Each line of a sheet that has something in it, with its number."""
    # What a sheet says of its own extent is often wrong.
    sheet.reset_dimensions()
    for line, cells in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS), start=1):
        if line > LAST_LINE:
            raise ValueError(line)
        for cell in cells:
            if cell.value is not None:
                yield line, cells
                break


def _rows(lines: Iterator[tuple[int, tuple[Any, ...]]], columns: Sequence[str]) -> Iterator[Row]:
    names = [*columns, *[""] * (MOST_COLUMNS - len(columns))]
    for line, cells in lines:
        texts, wrong = [], []
        for column, cell in zip(names, cells, strict=False):
            value = cell.value
            if value is None:
                texts.append("")
            elif type(value) is str and cell.data_type == "s" and len(value) <= MOST_CELL:
                texts.append(value.strip())
            else:
                said = _said(cell)
                texts.append(said[:MOST_CELL])
                if why := _wrong(cell, column, said):
                    wrong.append(f"{column}: {why}" if column else why)
        if any(texts) or wrong:
            yield Row(line, named(columns, texts), wrong)


def _wrong(cell: Any, column: str, said: str) -> str:
    """What is not plain about a cell that is no short text."""
    value = cell.value
    why = ""
    if cell.data_type == "f":
        why = _("The cell holds a formula, which is not worked out here. Put its value there.")
    elif cell.data_type == "e":
        why = _("The cell holds an error: {cell}.", cell=said)
    elif isinstance(value, date | time | timedelta):
        why = _wrong_of_day(value, column, said)
    elif isinstance(value, int | float) and abs(value) >= _MOST_NUMBER:
        why = _("A number of so many digits is not kept as it was typed. Format the cell as text.")
    elif len(said) > MOST_CELL:
        why = _("The cell has more than {most} characters.", most=MOST_CELL)
    return why


def _wrong_of_day(value: date | time | timedelta, column: str, said: str) -> str:
    if column not in DAYS:
        return _("The cell is formatted as a day or time, {cell}. Format it as text.", cell=said)
    if not isinstance(value, date) or (isinstance(value, datetime) and value.time() != time()):
        return _("{cell} is more or less than a day. Leave the day alone in it.", cell=said)
    return ""


def _said(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ")
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float):
        return format(value, ".0f") if value.is_integer() else _decimals(value)
    if cell.data_type == "f":
        return value if isinstance(value, str) else str(getattr(value, "text", "=") or "=")
    return str(value).strip()


def _decimals(value: float) -> str:
    """As a person would write it; repr gives the shortest text that means this number."""
    text = repr(value)
    return text if "e" not in text else format(value, "f")


def write_workbook(title: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """A workbook of one sheet, its columns formatted as texts or days, so that nothing typed there becomes a number.

    A text stays a text, whatever it begins with; None is an empty cell.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    for index, name in enumerate(columns, start=1):
        column = sheet.column_dimensions[get_column_letter(index)]
        column.number_format = "yyyy-mm-dd" if name in DAYS else "@"
        column.width = max(14, len(name) + 2)
    sheet.append([_cell(sheet, name, is_bold=True) for name in columns])
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def _cell(sheet: Any, value: Any, *, is_bold: bool = False) -> Any:
    if isinstance(value, str):
        value = _UNWRITABLE.sub("", value)
    cell = WriteOnlyCell(sheet, value)
    if isinstance(value, str):
        cell.data_type, cell.number_format = "s", "@"
    if isinstance(value, date):
        cell.number_format = "yyyy-mm-dd"
    if is_bold:
        cell.font = Font(bold=True)
    return cell
