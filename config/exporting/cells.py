"""Rows of texts as CSV after RFC 4180, without losing anything: NULL is an empty field, an empty text is ``""``."""

from __future__ import annotations

import re
from collections.abc import Sequence

END = "\r\n"
_TO_QUOTE = re.compile(r'[,"\r\n]')
# What a spreadsheet takes for a formula, also after a tab or a line break.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def record(cells: Sequence[str | None], guarded: Sequence[bool]) -> str:
    """One record. A text of a ``guarded`` column that a spreadsheet would take for a formula gets an apostrophe before it.

    One that begins with an apostrophe gets a second, so that taking one away gives every text back.
    """
    return ",".join(map(_field, cells, guarded)) + END


def header(names: Sequence[str]) -> str:
    return ",".join(names) + END


def _field(cell: str | None, is_guarded: bool) -> str:  # noqa: FBT001 - one of a pair
    if cell is None:
        return ""
    if not cell:
        return '""'
    if is_guarded and cell.startswith((*_FORMULA, "'")):
        cell = f"'{cell}"
    return '"' + cell.replace('"', '""') + '"' if _TO_QUOTE.search(cell) else cell
