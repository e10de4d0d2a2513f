"""Restrooms and the stations in them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from accounts.commands.masterdata import insert_rows
from accounts.permissions import Actor, Permission, require
from fleet.models import Restroom, Station


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
