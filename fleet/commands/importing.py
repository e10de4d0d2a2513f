"""Many rows of master data from a file: first what would be made of each, then the good ones, all or none.

Codes and names are the keys: the same file sent again makes nothing twice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from accounts import queries as accounts
from accounts import tenancy
from accounts.commands import customers, trying
from accounts.commands.masterdata import insert_rows, refuse_bad_rows
from accounts.errors import BadInput, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from fleet.models import Restroom, Station
from fleet.rules.importing.columns import KINDS
from fleet.rules.importing.judging import Fate, Key, Known, Line, Term, judge
from fleet.rules.importing.reading import Table, read_table

PERMISSIONS = {
    "customers": Permission.CUSTOMERS_MANAGE,
    "sites": Permission.SITES_MANAGE,
    "places": Permission.FLEET_MANAGE,
    "agreements": Permission.AGREEMENTS_MANAGE,
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


def judge_import(*, actor: Actor, kind: str, content: bytes) -> Judged:
    """What would be made of a file; nothing is stored. ``kind`` is one of ``KINDS``.

    BadInput or TooLarge for a file that can't be read as rows of this kind.
    """
    if kind not in KINDS:
        raise NotFound(_("Nothing of this kind can be imported."))
    require(actor, PERMISSIONS[kind])
    table = read_table(content, kind)
    with tenancy.reading(actor):
        known = _KNOWN[kind]()
    lines = judge(kind, table, known)
    fresh = [line for line in lines if line.fate is Fate.NEW]
    for problem in _PROBLEMS[kind](actor, [line.values for line in fresh]):
        fresh[int(problem.pointer.split("/")[1])].refuse(problem.detail)
    return Judged(kind, table, lines)


def import_rows(*, actor: Actor, kind: str, content: bytes) -> Judged:
    """Store the good rows of a file in one transaction; those that are there or wrong are left out.

    Refused as a whole, like ``judge_import``, or when somebody has just stored one of these rows: then nothing is.
    """
    judged = judge_import(actor=actor, kind=kind, content=content)
    fresh = [line.values for line in judged.lines if line.fate is Fate.NEW]
    if fresh:
        _ADD[kind](actor, fresh)
    return judged


def _known_customers() -> Known:
    names = ("name", "country", "address", "billing_email")
    rows = accounts.customers().values_list("code", *names)
    return Known(stored={(code,): dict(zip(names, values, strict=True)) for code, *values in rows})


def _known_sites() -> Known:
    names = (
        "customer_id", "name", "kind", "zone", "address", "area", "latitude", "longitude", "crew_id",
        "hardness_mg_per_l", "dust", "access",
    )  # fmt: skip
    rows = accounts.sites().values_list("code", *names)
    return Known(
        zone=accounts.get_operator().zone,
        customers=dict(accounts.customers().values_list("code", "id")),
        crews=dict(accounts.crews().filter(is_active=True).values_list("name", "id")),
        stored={(code,): dict(zip(names, values, strict=True)) for code, *values in rows},
    )


def _known_places() -> Known:
    sites = dict(accounts.sites().values_list("code", "id"))
    codes = {site_id: code for code, site_id in sites.items()}
    rooms: dict[Key, UUID] = {
        (codes[site_id], name): room_id
        for room_id, site_id, name in Restroom.objects.values_list("id", "site_id", "name")
    }
    stored: dict[Key, Mapping[str, Any]] = {(*room, ""): {} for room in rooms}
    stations = Station.objects.values_list("restroom__site_id", "restroom__name", "name", "fixture")
    stored |= {(codes[site], room, name): {"fixture": fixture} for site, room, name, fixture in stations}
    return Known(sites=sites, rooms=rooms, stored=stored)


def _known_agreements() -> Known:
    names = (
        "site_id", "starts_on", "anchor_on", "ends_on", "interval_months", "grace_before_days", "grace_after_days",
    )  # fmt: skip
    terms: dict[UUID, list[Term]] = {}
    stored: dict[Key, Mapping[str, Any]] = {}
    for number, *values in accounts.agreements().values_list("number", *names):
        row = dict(zip(names, values, strict=True))
        stored[number,] = row
        terms.setdefault(row["site_id"], []).append((row["starts_on"], row["ends_on"]))
    return Known(sites=dict(accounts.sites().values_list("code", "id")), terms=terms, stored=stored)


_KNOWN: Mapping[str, Callable[[], Known]] = {
    "customers": _known_customers,
    "sites": _known_sites,
    "places": _known_places,
    "agreements": _known_agreements,
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


_PROBLEMS: Mapping[str, Callable[[Actor, Sequence[Mapping[str, Any]]], list[Problem]]] = {
    "customers": lambda actor, rows: trying.problems_of_customers(actor=actor, customers=rows),
    "sites": lambda actor, rows: trying.problems_of_sites(actor=actor, sites=rows),
    "places": _problems_of_places,
    "agreements": lambda actor, rows: trying.problems_of_agreements(actor=actor, agreements=rows),
}


def _add_places(actor: Actor, rows: Sequence[Mapping[str, Any]]) -> None:
    """The restrooms that are new and all stations, in one transaction."""
    with tenancy.reading(actor):
        known = _known_places()
    rooms = dict(known.rooms)
    fresh: list[dict[str, Any]] = []
    for row in rows:
        key = (row["site"], row["restroom"])
        if key not in rooms:
            rooms[key] = uuid7()
            fresh.append({"id": rooms[key], "site_id": known.sites[row["site"]], "name": row["restroom"]})
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


_ADD: Mapping[str, Callable[[Actor, list[dict[str, Any]]], Any]] = {
    "customers": lambda actor, rows: customers.add_customers(actor=actor, customers=rows),
    "sites": lambda actor, rows: customers.add_sites(actor=actor, sites=rows),
    "places": _add_places,
    "agreements": lambda actor, rows: customers.add_agreements(actor=actor, agreements=rows),
}
