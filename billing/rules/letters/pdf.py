"""Documents as PDF, to archive (PDF/A-2a) and to be read aloud (PDF/UA-1)."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst

from billing.rules.letters.wording import letter

_TEMPLATE = Path(__file__).with_name("letter.typ").read_bytes()
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")
_STANDARDS: list[typst.PDFStandard] = ["a-2a", "ua-1"]


def render(document: Mapping[str, Any]) -> bytes:
    """The letter as PDF, the same bytes for the same document.

    Set in the fonts that come with the renderer: Latin, Greek, Cyrillic, Hebrew, Arabic. Only for writing that they lack
    are the machine's own fonts asked; what those lack too is a blank, and then the file is no archive file.
    """
    said = json.dumps(_printable(letter(document)), ensure_ascii=False, sort_keys=True)
    issued_at = datetime.fromisoformat(document["issued_on"]).replace(tzinfo=UTC)
    for with_system in (False, True):
        # No archive file may hold writing that no font has: that is what is tried here.
        with suppress(typst.TypstError):
            return _compiled(said, issued_at, with_system=with_system, standards=_STANDARDS)
    return _compiled(said, issued_at, with_system=True, standards=[])


def _printable(value: Any) -> Any:
    """The same without control characters, which no font has."""
    if isinstance(value, str):
        return _CONTROL.sub(" ", value)
    if isinstance(value, list):
        return [_printable(one) for one in value]
    return {key: _printable(one) for key, one in value.items()} if isinstance(value, dict) else value


def _compiled(
    said: str, issued_at: datetime, *, with_system: bool, standards: list[typst.PDFStandard]
) -> bytes:
    return typst.compile(
        _TEMPLATE,
        format="pdf",
        font_paths=_fonts(with_system=with_system),
        sys_inputs={"letter": said},
        pdf_standards=standards,
        timestamp=issued_at,
    )


@lru_cache
def _fonts(*, with_system: bool) -> typst.Fonts:
    return typst.Fonts(include_system_fonts=with_system)
