"""A month of the service record to keep: as PDF to archive (PDF/A-2a) and to be read aloud (PDF/UA-1), and as CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import typst

_TEMPLATE = Path(__file__).with_name("record.typ").read_bytes()
_STANDARDS: list[typst.PDFStandard] = ["a-2a", "ua-1"]
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")
# What begins a formula in common spreadsheets.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, slots=True)
class PaperRow:
    """One place of a visit: where, at what time, and what was done, each as it is to be read."""

    place: str
    at: str
    done: str


@dataclass(frozen=True, slots=True)
class PaperVisit:
    """One visit: its heading, what became of it, and its rows."""

    heading: str
    outcome: str
    rows: list[PaperRow]


@dataclass(frozen=True, slots=True)
class Paper:
    """A month's record as it is printed; ``heads`` are those of the columns, ``pages`` holds {page} and {of}.

    ``language`` is of ISO 639-1, ``paper`` a4 or us-letter.
    """

    title: str
    operator: str
    lead: list[str]
    heads: list[str]
    visits: list[PaperVisit]
    nothing: str
    notes: list[str]
    pages: str
    made: str
    language: str
    paper: str


def record_pdf(paper: Paper, made_at: datetime) -> bytes:
    """The record as PDF, the same bytes for the same record and instant.

    Set in the fonts that come with the renderer; the machine's own are asked only for writing that those lack, and what
    these lack too is a blank: then the file is no archive file.
    """
    said = json.dumps(asdict(paper), ensure_ascii=False, sort_keys=True)
    said = _CONTROL.sub(" ", said)
    for with_system, standards in ((False, _STANDARDS), (True, _STANDARDS)):
        with suppress(typst.TypstError):
            return _compiled(said, made_at, with_system=with_system, standards=standards)
    return _compiled(said, made_at, with_system=True, standards=[])


def _compiled(
    said: str, made_at: datetime, *, with_system: bool, standards: list[typst.PDFStandard]
) -> bytes:
    return typst.compile(
        _TEMPLATE,
        format="pdf",
        font_paths=_fonts(with_system=with_system),
        sys_inputs={"record": said},
        pdf_standards=standards,
        timestamp=made_at,
    )


@lru_cache
def _fonts(*, with_system: bool) -> typst.Fonts:
    return typst.Fonts(include_system_fonts=with_system)


def record_csv(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows after RFC 4180, in UTF-8 text; what a spreadsheet would take for a formula gets an apostrophe before it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([f"'{cell}" if cell.startswith(_FORMULA) else cell for cell in row])
    return text.getvalue()
