"""What would be made of each row: compared with what is stored and with the rows before it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any
from uuid import UUID

from accounts.languages import N_, _
from fleet.rules.importing.columns import REASON
from fleet.rules.importing.reading import Table, read_cells

Key = tuple[str, ...]
Term = tuple[date, date | None]


class Fate(StrEnum):
    NEW = "new"
    THERE = "there"
    WRONG = "wrong"


@dataclass(slots=True)
class Line:
    """A row of the file and what becomes of it; ``values`` are as the commands take them."""

    line: int
    cells: dict[str, str]
    fate: Fate
    values: dict[str, Any] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def refuse(self, sentence: str) -> None:
        self.fate = Fate.WRONG
        self.wrong.append(sentence)


@dataclass(frozen=True, slots=True)
class Known:
    """What an operator has, as rows name it: by code or name the id; and of the kind at hand the rows by their key.

    ``terms`` are the days of agreements by site; ``rooms`` restrooms by the site's code and their name.
    """

    zone: str = "UTC"
    customers: Mapping[str, UUID] = field(default_factory=dict)
    crews: Mapping[str, UUID] = field(default_factory=dict)
    sites: Mapping[str, UUID] = field(default_factory=dict)
    rooms: Mapping[Key, UUID] = field(default_factory=dict)
    terms: Mapping[UUID, Sequence[Term]] = field(default_factory=dict)
    stored: Mapping[Key, Mapping[str, Any]] = field(default_factory=dict)


def judge(kind: str, table: Table, known: Known) -> list[Line]:
    """Every row in its order. One that says exactly what is stored already is there; one that says otherwise is wrong."""
    seen: dict[Key, int] = {}
    lines = []
    for row in table.rows:
        values, wrong = read_cells(kind, row.cells)
        line = Line(row.line, row.cells, Fate.WRONG if wrong else Fate.NEW, values, wrong)
        lines.append(line)
        if wrong:
            continue
        key = _KEYS[kind](values)
        if key in seen:
            line.refuse(_("{key} stands in line {line} already.", line=seen[key], key=_said(key)))
            continue
        seen[key] = line.line
        _COMPLETE[kind](line, known)
        if line.fate is Fate.NEW and key in known.stored:
            _compare(line, key, known.stored[key])
        if line.fate is Fate.NEW:
            _fill(kind, line, known)
    if kind == "agreements":
        _refuse_overlaps(lines, known)
    return lines


def _said(key: Key) -> str:
    return ", ".join(part for part in key if part)


_KEYS: Mapping[str, Callable[[Mapping[str, Any]], Key]] = {
    "customers": lambda values: (values["code"],),
    "sites": lambda values: (values["code"],),
    "places": lambda values: (values["site"], values["restroom"], values.get("station", "")),
    "agreements": lambda values: (values["number"],),
}


def _compare(line: Line, key: Key, stored: Mapping[str, Any]) -> None:
    """Only what the row says is compared: an empty cell asks for nothing."""
    other = [name for name, value in line.values.items() if name in stored and stored[name] != value]
    if other:
        line.refuse(
            _(
                "{key} is there already, with another {names}. Change it on its own page.",
                key=_said(key),
                names=", ".join(name.removesuffix("_id") for name in other),
            )
        )
    else:
        line.fate = Fate.THERE


ABSENT = {
    "customer": N_("There is no customer {name}. Import the customers first."),
    "crew": N_("There is no crew {name}. Add it first, or leave the cell empty."),
    "site": N_("There is no site {name}. Import the sites first."),
}


def _named(line: Line, column: str, ids: Mapping[str, UUID]) -> None:
    """The id of what a cell names, in its place."""
    name = line.values.pop(column, None)
    if name is None:
        return
    if name in ids:
        line.values[f"{column}_id"] = ids[name]
    else:
        line.refuse(_(ABSENT[column], name=name))


def _customer(line: Line, known: Known) -> None:
    """A customer's row names no other."""


def _site(line: Line, known: Known) -> None:
    _named(line, "customer", known.customers)
    _named(line, "crew", known.crews)


def _place(line: Line, known: Known) -> None:
    values = line.values
    if values["site"] not in known.sites:
        line.refuse(_(ABSENT["site"], name=values["site"]))
    if "station" in values and "fixture" not in values:
        line.refuse(_("A station needs its fixture: urinal or water_closet."))
    if "fixture" in values and "station" not in values:
        line.refuse(_("A fixture is named, but no station."))


def _agreement(line: Line, known: Known) -> None:
    _named(line, "site", known.sites)


def _fill(kind: str, line: Line, known: Known) -> None:
    """What an empty cell of a new row stands for; the rest of it the columns of the table themselves know."""
    if kind == "sites":
        line.values.setdefault("zone", known.zone)
    if kind == "agreements":
        line.values.setdefault("anchor_on", line.values["starts_on"])


_COMPLETE: Mapping[str, Callable[[Line, Known], None]] = {
    "customers": _customer,
    "sites": _site,
    "places": _place,
    "agreements": _agreement,
}


def _refuse_overlaps(lines: Sequence[Line], known: Known) -> None:
    """A site has one agreement at a time."""
    taken = {site_id: list(terms) for site_id, terms in known.terms.items()}
    for line in lines:
        if line.fate is not Fate.NEW:
            continue
        terms = taken.setdefault(line.values["site_id"], [])
        term = (line.values["starts_on"], line.values.get("ends_on"))
        if any(_overlap(term, other) for other in terms):
            line.refuse(_("The site has an agreement in these days already. End that one first."))
        else:
            terms.append(term)


def _overlap(one: Term, other: Term) -> bool:
    return (other[1] is None or one[0] < other[1]) and (one[1] is None or other[0] < one[1])


def left_out(table: Table, lines: Sequence[Line]) -> str:
    """The rows that are wrong as a file to correct and send again, each with its reasons in a column of its own."""
    columns = [name for name in table.columns if name != REASON]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=table.delimiter)
    writer.writerow([*columns, REASON])
    for line in lines:
        if line.fate is Fate.WRONG:
            writer.writerow([*(line.cells.get(name, "") for name in columns), " ".join(line.wrong)])
    return out.getvalue()
