"""How much of a part of a workbook its reader would hold in memory at once.

It takes a sheet row by row and the shared texts one by one, and forgets each as it goes on; all that stands between two of
them it keeps, and of an element four bytes long it makes some hundred. So a small file of little else can fill a machine.
"""

from __future__ import annotations

import re
from typing import IO

LAST_LINE = 1_048_576  # a sheet has no more
# Between two rows, or two shared texts: a row of a sheet as wide as it can be has 16,384 cells.
MOST_TAGS = 200_000
MOST_BETWEEN = 8 * 1024 * 1024
# A text a cell, of the widest kind of 100,000 rows.
MOST_PIECES = 2 * LAST_LINE
_BLOCK = 1024 * 1024
# Room for a name with its prefix, so that none is cut in two between blocks.
_LONGEST = 64
_ROW = re.compile(rb"<(?:\w{1,40}:)?row(?=[\s/>])")
_TEXT = re.compile(rb"<(?:\w{1,40}:)?si(?=[\s/>])")
_WHOLE = re.compile(rb"(?!)")


def is_crowded(part: IO[bytes], name: str) -> bool:
    """Whether a part, read a block at a time, has more in one piece, or more pieces, than any table needs."""
    begins = (
        _ROW if name.startswith("xl/worksheets/") else _TEXT if name == "xl/sharedStrings.xml" else _WHOLE
    )
    tags = length = pieces = 0
    kept = b""
    while block := part.read(_BLOCK):
        text = kept + block
        at = text.rfind(b"<", max(0, len(text) - _LONGEST))
        text, kept = (text[:at], text[at:]) if at >= 0 else (text, b"")
        for number, piece in enumerate(begins.split(text)):
            if number:
                pieces, tags, length = pieces + 1, 0, 0
            tags, length = tags + piece.count(b"<"), length + len(piece)
            if tags > MOST_TAGS or length > MOST_BETWEEN or pieces > MOST_PIECES:
                return True
    return False
