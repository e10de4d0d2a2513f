"""Restrooms and the stations in them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction

from accounts import languages, tenancy
from accounts import queries as accounts
from accounts.commands.masterdata import insert_rows, refuse_bad_rows
from accounts.errors import BadInput, Conflict, Problem
from accounts.ids import uuid7
from accounts.languages import Manner, _
from accounts.permissions import Actor, Permission, require
from fleet import queries
from fleet.models import Restroom, Station
from fleet.rules.fixtures import MOST_AT_ONCE, names_of_new


def add_restrooms(*, actor: Actor, restrooms: Sequence[dict[str, Any]]) -> list[Restroom]:
    """Each: site_id, name, and an id if the caller has one. All or none."""
    require(actor, Permission.FLEET_MANAGE)
    return insert_rows(actor, Restroom, restrooms)


def add_stations(*, actor: Actor, stations: Sequence[dict[str, Any]]) -> list[Station]:
    """Each: restroom_id, name, fixture (urinal or water_closet), and an id if the caller has one. All or none."""
    require(actor, Permission.FLEET_MANAGE)
    return insert_rows(actor, Station, stations, after=_load_restrooms)


def _load_restrooms(made: Sequence[Station]) -> None:
    """A station says at which site it is by its restroom."""
    rooms = Restroom.objects.in_bulk({station.restroom_id for station in made})
    for station in made:
        station.restroom = rooms[station.restroom_id]


def add_restroom_with_fixtures(
    *, actor: Actor, site_id: UUID, name: str, urinals: int = 0, water_closets: int = 0
) -> Restroom:
    """A restroom with a station at each fixture, numbered: all or nothing.

    Conflict when the site has one of this name, NotFound for a site that is not there.
    """
    require(actor, Permission.FLEET_MANAGE)
    restroom_id = uuid7()
    stations = _numbered(actor, restroom_id, urinals, water_closets, taken=())
    row = {"id": restroom_id, "site_id": site_id, "name": name}
    made: Restroom = insert_rows(actor, Restroom, [row], after=lambda _made: _store(stations))[0]
    return made


def add_fixtures(
    *, actor: Actor, restroom_id: UUID, urinals: int = 0, water_closets: int = 0
) -> list[Station]:
    """More stations in a restroom, numbered on from those it has. NotFound for one that is not there."""
    require(actor, Permission.FLEET_MANAGE)
    with tenancy.reading(actor):
        queries.get_restroom(restroom_id)
        taken = list(Station.objects.filter(restroom_id=restroom_id).values_list("name", flat=True))
    stations = _numbered(actor, restroom_id, urinals, water_closets, taken=taken)
    if not stations:
        detail = _("Say how many urinals or water closets there are; nothing was added.")
        raise BadInput(detail, errors=[Problem("/urinals", "missing", detail)])
    rows = [
        {"id": one.id, "restroom_id": restroom_id, "name": one.name, "fixture": one.fixture}
        for one in stations
    ]
    return add_stations(actor=actor, stations=rows)


def _store(stations: list[Station]) -> None:
    Station.objects.bulk_create(stations)


def _numbered(
    actor: Actor, restroom_id: UUID, urinals: int, water_closets: int, *, taken: Collection[str]
) -> list[Station]:
    """Stations not stored yet, called as the operator's people say it, whoever asks for them."""
    for pointer, count in (("/urinals", urinals), ("/water_closets", water_closets)):
        if not 0 <= count <= MOST_AT_ONCE:
            detail = _("Add up to {most} fixtures of a kind at a time.", most=MOST_AT_ONCE)
            raise BadInput(detail, errors=[Problem(pointer, "out-of-range", detail)])
    with tenancy.reading(actor):
        operator = accounts.get_operator()
    with languages.speaking(Manner(languages.known_locale(operator.locale), operator.measures)):
        named = [
            (fixture, name)
            for fixture, count in (("urinal", urinals), ("water_closet", water_closets))
            for name in names_of_new(fixture, count, taken)
        ]
    return [
        Station(
            id=uuid7(), operator_id=actor.operator_id, restroom_id=restroom_id, name=name, fixture=fixture
        )
        for fixture, name in named
    ]


def rename_restroom(*, actor: Actor, restroom_id: UUID, name: str) -> Restroom:
    """Call a restroom otherwise; what was recorded there stays its own. Conflict when the site has one of this name."""
    require(actor, Permission.FLEET_MANAGE)
    restroom: Restroom = _renamed(actor, restroom_id, name, queries.get_restroom)
    return restroom


def rename_station(*, actor: Actor, station_id: UUID, name: str) -> Station:
    """Call a station otherwise; what was recorded there stays its own. Conflict when the restroom has one of this name."""
    require(actor, Permission.FLEET_MANAGE)
    station: Station = _renamed(actor, station_id, name, queries.get_station)
    return station


def _renamed(actor: Actor, row_id: UUID, name: str, get: Any) -> Any:
    with tenancy.writing(actor):
        row = get(row_id)
        row.name = name.strip()
        refuse_bad_rows([row])
        try:
            with transaction.atomic():
                row.save(update_fields=["name"])
        except IntegrityError:
            detail = _("There is one of this name here already: {name}. Nothing was changed.", name=name)
            raise Conflict(detail, errors=[Problem("/name", "taken", detail)]) from None
        return row
