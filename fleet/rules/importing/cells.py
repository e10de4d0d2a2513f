"""From the cells of a row to values: what can be said without looking at what is stored."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from accounts.ids import is_label_code, normalise_label_code
from accounts.languages import _
from fleet.rules.importing.columns import DAYS, DUST, FIXTURES, KINDS, SITE_KINDS, UNKNOWN, WICK_CONDITIONS

_DOTTED_DAY = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})\Z", re.ASCII)
_ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d\Z", re.ASCII)
_AMOUNT = re.compile(r"\d{1,6}(\.\d{1,9})?\Z", re.ASCII)


class Unclear(ValueError):
    """A cell that can't be what its column holds; the text is a sentence for the person."""


def _text(cell: str) -> str:
    return cell


def _capitals(cell: str) -> str:
    return cell.upper()


def _day(cell: str) -> date:
    """2026-07-01, or 1.7.2026; never with slashes, which are read in two ways."""
    dotted = _DOTTED_DAY.match(cell)
    try:
        if dotted:
            return date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
        if _ISO_DAY.match(cell):
            return date.fromisoformat(cell)
    except ValueError:
        pass
    raise Unclear(_("{cell} is no day, such as 2026-07-01.", cell=cell))


def _whole(cell: str) -> int:
    if not re.fullmatch(r"\d{1,6}", cell, re.ASCII):
        raise Unclear(_("{cell} is no whole number.", cell=cell))
    return int(cell)


def _degrees(cell: str) -> Decimal:
    """With a point or a comma before the decimals: no degrees have thousands. Six are kept, a tenth of a metre."""
    try:
        number = Decimal(cell.replace(",", "."))
    except InvalidOperation:
        raise Unclear(_("{cell} is no number of degrees, such as 53.5461.", cell=cell)) from None
    if not number.is_finite() or abs(number) > 180:  # noqa: PLR2004 - degrees
        raise Unclear(_("{cell} is no number of degrees, such as 53.5461.", cell=cell))
    return round(number, 6)


def _amount(cell: str) -> Decimal:
    """With a point before the decimals. A comma is one to some and parts thousands to others, so it is not guessed."""
    if "," in cell:
        raise Unclear(_("{cell} has a comma, which is read in two ways. Write 9.5 with a point.", cell=cell))
    if not _AMOUNT.match(cell):
        raise Unclear(_("{cell} is no number, such as 9.5.", cell=cell))
    return Decimal(cell)


def _label(cell: str) -> str:
    code = normalise_label_code(cell)
    if not is_label_code(code):
        raise Unclear(_("{cell} is no label code: its check character does not fit.", cell=cell))
    return code


def _one_of(*words: str) -> Callable[[str], str]:
    def read(cell: str) -> str:
        word = cell.casefold().replace(" ", "_")
        if word not in words:
            raise Unclear(_("{cell} is none of {words}.", cell=cell, words=", ".join(words)))
        return word

    return read


_READERS: Mapping[str, Callable[[str], Any]] = {
    **dict.fromkeys(DAYS, _day),
    "country": _capitals,
    "interval_months": _whole,
    "grace_before_days": _whole,
    "grace_after_days": _whole,
    "hardness_mg_per_l": _whole,
    "charge_ml": _whole,
    "left_ml": _whole,
    "dose_ml_per_day": _amount,
    "latitude": _degrees,
    "longitude": _degrees,
    "kind": _one_of(*SITE_KINDS),
    "dust": _one_of(*DUST),
    "fixture": _one_of(*FIXTURES),
    "wick_condition": _one_of(*WICK_CONDITIONS),
}

# Where a name means something else in one kind of file.
_READERS_OF: Mapping[str, Mapping[str, Callable[[str], Any]]] = {"units": {"code": _label}}


def read_cells(kind: str, cells: Mapping[str, str]) -> tuple[dict[str, Any], list[str]]:
    """The values of a row's filled cells, and a sentence for each cell that is wrong or missing."""
    values: dict[str, Any] = {}
    wrong: list[str] = []
    readers = {**_READERS, **_READERS_OF.get(kind, {})}
    for column in KINDS[kind]:
        cell = cells.get(column.name, "")
        if kind == "units" and not column.is_needed and cell.casefold() == UNKNOWN:
            continue
        if not cell and column.is_needed:
            wrong.append(_("The column {name} is empty.", name=column.name))
        elif cell:
            try:
                values[column.name] = readers.get(column.name, _text)(cell)
            except Unclear as unclear:
                wrong.append(f"{column.name}: {unclear}")
    if "" in cells:
        wrong.append(_("The row has more cells than there are columns: {cells}.", cells=cells[""]))
    return values, wrong
