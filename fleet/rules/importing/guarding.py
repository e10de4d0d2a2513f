"""Texts that a spreadsheet would take for a formula, in the files that we write and in those that come back."""

from __future__ import annotations

import re

# As our archives of everything have it: one apostrophe before such a text, and one before an apostrophe at its start.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z", re.ASCII)


def guarded(text: str) -> str:
    """The text as it is written into a CSV file. A number is what it is."""
    return f"'{text}" if text.startswith(_FORMULA) and not _NUMBER.match(text) else text


def unguarded(cell: str) -> str:
    """The text of a cell, without the apostrophe that guards it."""
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA) else cell
