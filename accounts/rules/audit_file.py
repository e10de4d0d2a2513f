"""The audit as CSV after RFC 4180: a header, commas, quotes doubled, CRLF after each record; UTF-8.

A text that a spreadsheet would take for a formula gets an apostrophe before it.
"""

from __future__ import annotations

from collections.abc import Sequence

HEADER = (
    "number",
    "at",
    "actor_kind",
    "actor_id",
    "actor_name",
    "address",
    "request_id",
    "door",
    "action",
    "kind",
    "row_id",
    "about",
    "hash",
)
# What begins a formula in common spreadsheets, also after a tab or a line break.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def record(cells: Sequence[object]) -> str:
    """One record; None is an empty field."""
    return ",".join(_field(cell) for cell in cells) + "\r\n"


def _field(cell: object) -> str:
    text = "" if cell is None else str(cell)
    if text.startswith(_FORMULA):
        text = f"'{text}"
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"\r\n') else text
