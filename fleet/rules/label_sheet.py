"""Sheets of labels as PDF, in real size: the code of each unit to scan, and below it in print for hand entry."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import segno
import typst

from accounts.languages import _, manner

QUIET_MODULES = 4  # ISO/IEC 18004 asks for four modules of white around the code
LEAST_MODULE_MM, USUAL_MODULE_MM = 0.5, 0.6
COLUMNS, ROWS = 5, 7
A_SHEET = COLUMNS * ROWS
MOST_LABELS = 5 * A_SHEET  # drawing them takes about a second
CELL_WIDTH_MM, CELL_HEIGHT_MM = 35.0, 36.0
WIDEST_CODE_MM = 28.0  # so that the line below it fits its cell

_TEMPLATE = Path(__file__).with_name("label_sheet.typ").read_bytes()


@dataclass(frozen=True, slots=True)
class Paper:
    width_mm: float
    height_mm: float


# ISO 216, and ANSI/ASME Y14.1 size A.
PAPERS = {"a4": Paper(210, 297), "letter": Paper(215.9, 279.4)}


@dataclass(frozen=True, slots=True)
class Label:
    """A unit's code of nine characters, the address that scanning it leads to, and whose unit it is."""

    code: str
    address: str
    owner: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """A code to scan as SVG, one unit a module, and how many modules a side has with the white around it."""

    svg: str
    modules: int

    @property
    def side_mm(self) -> float:
        """The side in print: modules of 0.6 mm, or smaller ones where the address is long, never below 0.5 mm."""
        module_mm = min(USUAL_MODULE_MM, WIDEST_CODE_MM / self.modules)
        return self.modules * max(module_mm, LEAST_MODULE_MM)


def draw(address: str) -> Drawn:
    """The address in capitals, which take less room in the code, with the highest recovery (level H, about 30 %)."""
    code = segno.make(address.upper(), error="h", micro=False, boost_error=False)
    out = io.BytesIO()
    code.save(
        out,
        kind="svg",
        border=QUIET_MODULES,
        xmldecl=False,
        omitsize=True,
        nl=False,
        svgclass=None,
        lineclass=None,
    )
    return Drawn(out.getvalue().decode(), len(code.matrix) + 2 * QUIET_MODULES)


def in_threes(code: str) -> str:
    """A label's code as it is read aloud and typed: "7K3 M9Q 2X3"."""
    return " ".join(code[start : start + 3] for start in range(0, len(code), 3))


def sheets(labels: Sequence[Label], *, paper: str, skip: int = 0) -> bytes:
    """The labels as a PDF on ``paper`` ("a4" or "letter"), the first ``skip`` places of the first sheet left empty.

    In print a module is never smaller than 0.5 mm, if the file is printed at its real size; a line of 50 mm tells.
    """
    size = PAPERS[paper]
    places: list[dict[str, Any] | None] = [None] * skip
    places += [_place(label) for label in labels]
    said = {
        "title": _("Labels"),
        "language": manner().language,
        "region": manner().locale.partition("-")[2],
        "width_mm": size.width_mm,
        "height_mm": size.height_mm,
        "margin_x_mm": (size.width_mm - COLUMNS * CELL_WIDTH_MM) / 2,
        "margin_top_mm": (size.height_mm - ROWS * CELL_HEIGHT_MM) / 2 - 3,
        "cell_width_mm": CELL_WIDTH_MM,
        "cell_height_mm": CELL_HEIGHT_MM,
        "columns": COLUMNS,
        "rows": ROWS,
        "pages": list(_pages(places)),
        "foot": _("Printed at its real size (100 %), this line is 50 mm long."),
    }
    return typst.compile(
        _TEMPLATE,
        format="pdf",
        font_paths=_fonts(),
        sys_inputs={"sheet": json.dumps(said, ensure_ascii=False)},
    )


def _place(label: Label) -> dict[str, Any]:
    drawn = draw(label.address)
    return {
        "drawing": drawn.svg,
        "side_mm": drawn.side_mm,
        "code": in_threes(label.code),
        "owner": label.owner,
    }


def _pages(places: list[dict[str, Any] | None]) -> Iterator[list[dict[str, Any] | None]]:
    for start in range(0, max(len(places), 1), A_SHEET):
        page = places[start : start + A_SHEET]
        yield page + [None] * (A_SHEET - len(page))


@lru_cache
def _fonts() -> typst.Fonts:
    return typst.Fonts(include_system_fonts=False)
