"""Many rows of master data from a file: first what would be made of each, then the good ones, all or none.

Codes and names are the keys: the same file sent again makes nothing twice. A look asks only for what the rows at hand name, so
that a long file can be looked at some thousand rows at a time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.commands import customers, trying
from accounts.commands.masterdata import insert_rows, refuse_bad_rows
from accounts.errors import BadInput, NotFound, Problem
from accounts.ids import normalise_label_code, uuid7
from accounts.languages import _, _n
from accounts.permissions import Actor, Permission, require
from fleet.models import Cartridge, Restroom, Station, Unit, UnitModel
from fleet.rules.importing import columns, packing, reading, workbooks, writing
from fleet.rules.importing.columns import KINDS, MOST_BYTES, MOST_ROWS, MOST_ROWS_OF_ALL, TITLES, Column
from fleet.rules.importing.judging import Fate, Key, Known, Line, Seen, Term, judge, left_out
from fleet.rules.importing.tables import Row, Table, Tell, too_large

__all__ = [
    "KINDS",
    "MOST_BYTES",
    "MOST_ROWS",
    "MOST_ROWS_OF_ALL",
    "PERMISSIONS",
    "TITLES",
    "Column",
    "Fate",
    "Judged",
    "Line",
    "Row",
    "Seen",
    "Table",
    "add_rows",
    "columns",
    "import_rows",
    "import_table",
    "judge_import",
    "judge_rows",
    "judge_table",
    "left_out",
    "packing",
    "permission_for",
    "read_file",
    "refuse_large",
    "refuse_wrong",
    "workbooks",
    "writing",
]

PERMISSIONS = {
    "customers": Permission.CUSTOMERS_MANAGE,
    "sites": Permission.SITES_MANAGE,
    "places": Permission.FLEET_MANAGE,
    "agreements": Permission.AGREEMENTS_MANAGE,
    "units": Permission.FLEET_MANAGE,
}


@dataclass(frozen=True, slots=True)
class Judged:
    """A file and what becomes of its rows."""

    kind: str
    table: Table
    lines: list[Line]

    @property
    def counts(self) -> Mapping[str, int]:
        """How many rows there are of each fate: new, there, wrong."""
        return Counter(str(line.fate) for line in self.lines)


def permission_for(kind: str) -> Permission:
    """What importing this kind takes; NotFound for a kind that is none."""
    if kind not in KINDS:
        raise NotFound(_("Nothing of this kind can be imported."))
    return PERMISSIONS[kind]


def read_file(
    *, actor: Actor, kind: str, content: bytes, most: int = MOST_ROWS, tell: Tell | None = None
) -> Table:
    """The rows of a file, CSV or XLSX. BadInput or TooLarge for one that can't be read as rows of this kind.

    ``tell`` hears now and then how many rows were read.
    """
    require(actor, permission_for(kind))
    refuse_large(content)
    return reading.read_table(content, kind, most=most, tell=tell)


def refuse_large(content: bytes) -> None:
    """TooLarge for more than 20 MB."""
    if len(content) > MOST_BYTES:
        raise too_large(_("The file is larger than {most} MB. Send it in parts.", most=MOST_BYTES >> 20))


def judge_import(*, actor: Actor, kind: str, content: bytes) -> Judged:
    """What would be made of a file of up to 5,000 rows; nothing is stored. ``kind`` is one of ``KINDS``.

    Refused as ``read_file`` refuses.
    """
    return judge_table(actor=actor, kind=kind, table=read_file(actor=actor, kind=kind, content=content))


def judge_table(*, actor: Actor, kind: str, table: Table) -> Judged:
    """What would be made of a file that was read already."""
    require(actor, permission_for(kind))
    return Judged(kind, table, judge_rows(actor=actor, kind=kind, rows=table.rows, seen=Seen()))


def judge_rows(*, actor: Actor, kind: str, rows: Sequence[Row], seen: Seen) -> list[Line]:
    """What would be made of these rows after those in ``seen``, to which they are added. Of units only the units."""
    require(actor, permission_for(kind))
    with tenancy.reading(actor):
        known = _KNOWN[kind](rows)
    lines = judge(kind, rows, known, seen)
    fresh = [line for line in lines if line.fate is Fate.NEW]
    problems = _PROBLEMS[kind](actor, [line.values for line in fresh]) if kind in _PROBLEMS else []
    for problem in problems:
        fresh[int(problem.pointer.split("/")[1])].refuse(problem.detail)
    return lines


def import_rows(*, actor: Actor, kind: str, content: bytes) -> Judged:
    """Store the good rows of a file in one transaction; those that are there or wrong are left out.

    Refused as a whole, like ``judge_import``, or when somebody has just stored one of these rows: then nothing is.
    """
    return import_table(actor=actor, kind=kind, table=read_file(actor=actor, kind=kind, content=content))


def import_table(*, actor: Actor, kind: str, table: Table, only_if_all_good: bool = False) -> Judged:
    """As ``import_rows``, of a file that was read already. BadInput when any row is wrong and all were to be good."""
    judged = judge_table(actor=actor, kind=kind, table=table)
    if only_if_all_good:
        refuse_wrong(judged.counts[str(Fate.WRONG)])
    add_rows(actor=actor, kind=kind, rows=[line.values for line in judged.lines if line.fate is Fate.NEW])
    return judged


def refuse_wrong(wrong: int) -> None:
    """BadInput when rows are wrong that were all to be good."""
    if wrong:
        raise BadInput(
            _n(
                "{wrong} row can't be imported as it is, and all were to be good. Nothing was imported.",
                "{wrong} rows can't be imported as they are, and all were to be good. Nothing was imported.",
                wrong,
                wrong=wrong,
            )
        )


def add_rows(*, actor: Actor, kind: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store rows as ``judge_rows`` found them new: all or none. Conflict when one is there meanwhile."""
    require(actor, permission_for(kind))
    if rows:
        _ADD[kind](actor, rows)


def _named_in(rows: Iterable[Row], column: str) -> set[str]:
    return {cell for row in rows if (cell := row.cells.get(column, ""))}


def _site_ids(rows: Sequence[Row]) -> dict[str, UUID]:
    return dict(accounts.sites().filter(code__in=_named_in(rows, "site")).values_list("code", "id"))


def _known_customers(rows: Sequence[Row]) -> Known:
    names = ("name", "country", "address", "billing_email")
    found = accounts.customers().filter(code__in=_named_in(rows, "code")).values_list("code", *names)
    return Known(stored={(code,): dict(zip(names, values, strict=True)) for code, *values in found})


def _known_sites(rows: Sequence[Row]) -> Known:
    names = (
        "customer_id", "name", "kind", "zone", "address", "area", "latitude", "longitude", "crew_id",
        "hardness_mg_per_l", "dust", "access",
    )  # fmt: skip
    payers = accounts.customers().filter(code__in=_named_in(rows, "customer"))
    found = accounts.sites().filter(code__in=_named_in(rows, "code")).values_list("code", *names)
    return Known(
        zone=accounts.get_operator().zone,
        customers=dict(payers.values_list("code", "id")),
        crews=dict(accounts.crews().filter(is_active=True).values_list("name", "id")),
        stored={(code,): dict(zip(names, values, strict=True)) for code, *values in found},
    )


def _known_places(rows: Sequence[Row]) -> Known:
    sites = _site_ids(rows)
    rooms = _rooms_at(sites)
    stored: dict[Key, Mapping[str, Any]] = {(*room, ""): {} for room in rooms}
    stored |= {key: {"fixture": fixture} for key, (_id, fixture) in _stations_at(sites).items()}
    return Known(sites=sites, rooms=rooms, stored=stored)


def _rooms_at(sites: Mapping[str, UUID]) -> dict[Key, UUID]:
    codes = {site_id: code for code, site_id in sites.items()}
    rooms = Restroom.objects.filter(site_id__in=codes).values_list("id", "site_id", "name")
    return {(codes[site_id], name): room_id for room_id, site_id, name in rooms}


def _stations_at(sites: Mapping[str, UUID]) -> dict[Key, tuple[UUID, str]]:
    """The id and the fixture of each station at these sites."""
    codes = {site_id: code for code, site_id in sites.items()}
    stations = Station.objects.filter(restroom__site_id__in=codes)
    found = stations.values_list("restroom__site_id", "restroom__name", "name", "id", "fixture")
    return {(codes[site], room, name): (one, fixture) for site, room, name, one, fixture in found}


def _known_agreements(rows: Sequence[Row]) -> Known:
    names = (
        "site_id", "starts_on", "anchor_on", "ends_on", "interval_months", "grace_before_days", "grace_after_days",
    )  # fmt: skip
    sites = _site_ids(rows)
    numbered = accounts.agreements().filter(number__in=_named_in(rows, "number"))
    at_sites = accounts.agreements().filter(site_id__in=sites.values())
    terms: dict[UUID, list[Term]] = {}
    for site_id, starts_on, ends_on in at_sites.values_list("site_id", "starts_on", "ends_on"):
        terms.setdefault(site_id, []).append((starts_on, ends_on))
    stored: dict[Key, Mapping[str, Any]] = {
        (number,): dict(zip(names, values, strict=True))
        for number, *values in numbered.values_list("number", *names)
    }
    return Known(sites=sites, terms=terms, stored=stored)


def _known_units(rows: Sequence[Row]) -> Known:
    codes = {normalise_label_code(code) for code in _named_in(rows, "code")}
    units = Unit.objects.filter(code__in=codes).values_list("code", "id", "unit_model_id")
    cartridges = Cartridge.objects.filter(code__in=_named_in(rows, "cartridge"))
    sites = _site_ids(rows)
    return Known(
        sites=sites,
        stations={key: station_id for key, (station_id, _fixture) in _stations_at(sites).items()},
        models=dict(UnitModel.objects.filter(name__in=_named_in(rows, "model")).values_list("name", "id")),
        cartridges=dict(cartridges.values_list("code", "id")),
        volumes=dict(cartridges.values_list("id", "volume_ml")),
        stored={(code,): {"unit_id": unit_id, "model_id": model_id} for code, unit_id, model_id in units},
    )


_KNOWN: Mapping[str, Callable[[Sequence[Row]], Known]] = {
    "customers": _known_customers,
    "sites": _known_sites,
    "places": _known_places,
    "agreements": _known_agreements,
    "units": _known_units,
}


def _problems_of_places(actor: Actor, rows: Sequence[Mapping[str, Any]]) -> list[Problem]:
    """Of restrooms and stations by themselves; both kinds of row point at the row that names them.

    A row that names only a restroom is tried with a station that nothing is wrong with.
    """
    stations = [_station(actor, uuid7(), row) for row in rows]
    rooms = [Restroom(operator_id=actor.operator_id, site_id=uuid7(), name=row["restroom"]) for row in rows]
    found: list[Problem] = []
    for tried in (rooms, stations):
        try:
            refuse_bad_rows(tried)
        except BadInput as refusal:
            found += refusal.errors
    return found


# A label's code is all that a unit has of its own, and it was read as one.
_PROBLEMS: Mapping[str, Callable[[Actor, Sequence[Mapping[str, Any]]], list[Problem]]] = {
    "customers": lambda actor, rows: trying.problems_of_customers(actor=actor, customers=rows),
    "sites": lambda actor, rows: trying.problems_of_sites(actor=actor, sites=rows),
    "places": _problems_of_places,
    "agreements": lambda actor, rows: trying.problems_of_agreements(actor=actor, agreements=rows),
}


def _add_places(actor: Actor, rows: Sequence[Mapping[str, Any]]) -> None:
    """The restrooms that are new and all stations, in one transaction."""
    codes = {row["site"] for row in rows}
    with tenancy.reading(actor):
        sites = dict(accounts.sites().filter(code__in=codes).values_list("code", "id"))
        rooms = _rooms_at(sites)
    fresh: list[dict[str, Any]] = []
    for row in rows:
        key = (row["site"], row["restroom"])
        if key not in rooms:
            rooms[key] = uuid7()
            fresh.append({"id": rooms[key], "site_id": sites[row["site"]], "name": row["restroom"]})
    stations = [
        _station(actor, rooms[row["site"], row["restroom"]], row) for row in rows if row.get("station")
    ]
    insert_rows(actor, Restroom, fresh, after=lambda _made: _store(stations))


def _store(stations: list[Station]) -> None:
    Station.objects.bulk_create(stations, batch_size=1_000)


def _station(actor: Actor, restroom_id: UUID, row: Mapping[str, Any]) -> Station:
    return Station(
        id=uuid7(),
        operator_id=actor.operator_id,
        restroom_id=restroom_id,
        name=row.get("station", "-"),
        fixture=row.get("fixture", "urinal"),
    )


def _add_units(actor: Actor, rows: Sequence[Mapping[str, Any]]) -> None:
    """As printing their labels makes them."""
    now = clock.now()
    made = [
        {
            "id": row.get("unit_id") or uuid7(now),
            "code": row["code"],
            "unit_model_id": row["model_id"],
            "printed_at": now,
        }
        for row in rows
    ]
    insert_rows(actor, Unit, made)


_ADD: Mapping[str, Callable[[Actor, Sequence[Any]], Any]] = {
    "customers": lambda actor, rows: customers.add_customers(actor=actor, customers=rows),
    "sites": lambda actor, rows: customers.add_sites(actor=actor, sites=rows),
    "places": _add_places,
    "agreements": lambda actor, rows: customers.add_agreements(actor=actor, agreements=rows),
    "units": _add_units,
}
