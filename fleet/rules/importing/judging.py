"""What would be made of each row: compared with what is stored and with the rows before it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any
from uuid import UUID

from accounts.languages import N_, _
from fleet.rules.importing.cells import read_cells
from fleet.rules.importing.columns import REASON
from fleet.rules.importing.guarding import guarded
from fleet.rules.importing.tables import Row

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

    ``terms`` are the days of agreements by site; ``rooms`` restrooms by the site's code and their name, ``stations`` those
    in them by their name too. ``volumes`` says what each cartridge holds, in mL. Only what the rows at hand name need be here.
    """

    zone: str = "UTC"
    customers: Mapping[str, UUID] = field(default_factory=dict)
    crews: Mapping[str, UUID] = field(default_factory=dict)
    sites: Mapping[str, UUID] = field(default_factory=dict)
    rooms: Mapping[Key, UUID] = field(default_factory=dict)
    stations: Mapping[Key, UUID] = field(default_factory=dict)
    models: Mapping[str, UUID] = field(default_factory=dict)
    cartridges: Mapping[str, UUID] = field(default_factory=dict)
    volumes: Mapping[UUID, int] = field(default_factory=dict)
    terms: Mapping[UUID, Sequence[Term]] = field(default_factory=dict)
    stored: Mapping[Key, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(slots=True)
class Seen:
    """What the rows before said: the line of each key and of each station, and the days of agreements by site."""

    keys: dict[Key, int] = field(default_factory=dict)
    stations: dict[UUID, int] = field(default_factory=dict)
    terms: dict[UUID, list[Term]] = field(default_factory=dict)


def judge(kind: str, rows: Iterable[Row], known: Known, seen: Seen | None = None) -> list[Line]:
    """Every row in its order. One that says exactly what is stored already is there; one that says otherwise is wrong.

    ``seen`` is of the rows before these, and afterwards of these too.
    """
    seen = Seen() if seen is None else seen
    return [_judge_row(kind, row, known, seen) for row in rows]


def _judge_row(kind: str, row: Row, known: Known, seen: Seen) -> Line:
    values, wrong = read_cells(kind, row.cells)
    # What the file itself says of a cell is the nearer reason.
    wrong = [*row.wrong, *(() if row.wrong else wrong)]
    line = Line(row.line, row.cells, Fate.WRONG if wrong else Fate.NEW, values, wrong)
    if wrong:
        return line
    key = _KEYS[kind](values)
    if key in seen.keys:
        line.refuse(_("{key} stands in line {line} already.", line=seen.keys[key], key=_said(key)))
        return line
    seen.keys[key] = line.line
    _COMPLETE[kind](line, known)
    if line.fate is Fate.NEW and key in known.stored:
        _compare(line, key, known.stored[key])
    if line.fate is Fate.NEW:
        _fill(kind, line, known)
    if line.fate is Fate.NEW and kind == "agreements":
        _refuse_overlap(line, known, seen)
    if line.fate is not Fate.WRONG and kind == "units":
        _refuse_second(line, seen)
    return line


def _said(key: Key) -> str:
    return ", ".join(part for part in key if part)


_KEYS: Mapping[str, Callable[[Mapping[str, Any]], Key]] = {
    "customers": lambda values: (values["code"],),
    "sites": lambda values: (values["code"],),
    "places": lambda values: (values["site"], values["restroom"], values.get("station", "")),
    "agreements": lambda values: (values["number"],),
    "units": lambda values: (values["code"],),
}


def _compare(line: Line, key: Key, stored: Mapping[str, Any]) -> None:
    """Only what the row says is compared: an empty cell asks for nothing. Spaces at the ends of a text are no difference."""
    other = [name for name, value in line.values.items() if name in stored and _plain(stored[name]) != value]
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


def _plain(value: Any) -> Any:
    return value.strip() if isinstance(value, str) else value


ABSENT = {
    "customer": N_("There is no customer {name}. Import the customers first."),
    "crew": N_("There is no crew {name}. Add it first, or leave the cell empty."),
    "site": N_("There is no site {name}. Import the sites first."),
    "model": N_("There is no unit model {name}. Add it first."),
    "cartridge": N_("There is no cartridge {name}. Add it first."),
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


_PLACE = ("site", "restroom", "station")


def _unit(line: Line, known: Known) -> None:
    """A unit, and where it hangs if it does; what is known of it there stays in ``values`` as the row says it.

    ``unit_id`` is among them when it is stored.
    """
    values = line.values
    stored = known.stored.get((values["code"],))
    _named(line, "model", known.models)
    if "model_id" not in values and stored is None and not line.wrong:
        line.refuse(_("{code} is a new unit. Name its model.", code=values["code"]))
    _named(line, "cartridge", known.cartridges)
    place = tuple(values.pop(name, "") for name in _PLACE)
    if all(place):
        _hang(line, known, place)
    elif any(place):
        line.refuse(_("Name the site, the restroom and the station where it hangs, or none of them."))
    elif told := sorted(values.keys() - {"code", "model_id"}):
        line.refuse(
            _(
                "A unit that hangs nowhere has no state yet. Name its place, or leave empty: {names}.",
                names=", ".join(name.removesuffix("_id") for name in told),
            )
        )
    if "cartridge_id" in values:
        values.setdefault("charge_ml", known.volumes[values["cartridge_id"]])
    elif "charge_ml" in values and not line.wrong:
        line.refuse(_("A charge is named, but no cartridge."))
    if stored is not None:
        values["unit_id"] = stored["unit_id"]


def _hang(line: Line, known: Known, place: Key) -> None:
    if place[0] not in known.sites:
        line.refuse(_(ABSENT["site"], name=place[0]))
    elif place in known.stations:
        line.values["station_id"] = known.stations[place]
    else:
        line.refuse(
            _("There is no station {place}. Import the restrooms and stations first.", place=_said(place))
        )


def _refuse_second(line: Line, seen: Seen) -> None:
    """At a station hangs one unit."""
    station_id = line.values.get("station_id")
    if station_id is None:
        return
    if station_id in seen.stations:
        line.refuse(
            _("The unit of line {line} hangs at this station already.", line=seen.stations[station_id])
        )
    else:
        seen.stations[station_id] = line.line


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
    "units": _unit,
}


def _refuse_overlap(line: Line, known: Known, seen: Seen) -> None:
    """A site has one agreement at a time."""
    site_id = line.values["site_id"]
    term = (line.values["starts_on"], line.values.get("ends_on"))
    taken = [*known.terms.get(site_id, ()), *seen.terms.get(site_id, ())]
    if any(_overlap(term, other) for other in taken):
        line.refuse(_("The site has an agreement in these days already. End that one first."))
    else:
        seen.terms.setdefault(site_id, []).append(term)


def _overlap(one: Term, other: Term) -> bool:
    return (other[1] is None or one[0] < other[1]) and (one[1] is None or other[0] < one[1])


def left_out(columns: Sequence[str], delimiter: str, lines: Iterable[Line]) -> str:
    """The rows that are wrong as a CSV file to correct and send again, each with its reasons in a column of its own."""
    names = [name for name in columns if name != REASON]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow([*names, REASON])
    for line in lines:
        if line.fate is Fate.WRONG:
            said = [guarded(line.cells.get(name, "")) for name in names]
            writer.writerow([*said, guarded(" ".join(line.wrong))])
    return out.getvalue()
