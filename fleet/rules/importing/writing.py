"""Rows as files of the columns that are imported: to be filled in, or with what is there."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from fleet.rules.importing.columns import names
from fleet.rules.importing.guarding import guarded
from fleet.rules.importing.workbooks import write_workbook


def csv_of(kind: str, rows: Iterable[Mapping[str, Any]]) -> str:
    """CSV after RFC 4180, its texts guarded from being taken for formulas. A value that is None or left out is empty."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(names(kind))
    for row in rows:
        writer.writerow([_text(row.get(name)) for name in names(kind)])
    return out.getvalue()


def workbook_of(kind: str, rows: Iterable[Mapping[str, Any]]) -> bytes:
    """An XLSX workbook of one sheet, called as the kind."""
    return write_workbook(kind, names(kind), ([row.get(name) for name in names(kind)] for row in rows))


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return format(value, "f")
    return guarded(value) if isinstance(value, str) else str(value)
