"""Restrooms and stations: where a unit can hang."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import F, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from fleet.models import Restroom, Station
from fleet.queries.rows import by_ids

# Asked by every upload: written out, since building it costs the ORM more than the database takes to answer.
_STATIONS = """
SELECT s.id, r.site_id, r.id, r.name, s.name, s.fixture
FROM fleet_station s JOIN fleet_restroom r ON r.operator_id = s.operator_id AND r.id = s.restroom_id
WHERE s.operator_id = %s AND s.id = ANY(%s)
"""


@dataclass(frozen=True, slots=True)
class StationPlace:
    station_id: UUID
    site_id: UUID
    restroom_id: UUID
    restroom: str
    station: str
    fixture: str


@dataclass(frozen=True, slots=True)
class Room:
    """A restroom with its stations, by name."""

    id: UUID
    name: str
    stations: list[StationPlace]


def rooms_of_site(site_id: UUID) -> list[Room]:
    """Every restroom of a site, also one without a station."""
    by_room: dict[UUID, list[StationPlace]] = {}
    for place in stations_of_site(site_id):
        by_room.setdefault(place.restroom_id, []).append(place)
    rows = Restroom.objects.filter(site_id=site_id).order_by("name").values_list("id", "name")
    return [Room(room_id, name, by_room.get(room_id, [])) for room_id, name in rows]


def get_restroom(restroom_id: UUID) -> Restroom:
    """A restroom by id; NotFound for one that is absent or another operator's."""
    found: Restroom | None = Restroom.objects.filter(id=restroom_id).first()
    if found is None:
        raise NotFound(_("There is no restroom here with this id."))
    return found


def get_station(station_id: UUID) -> Station:
    """A station with its restroom; NotFound for one that is absent or another operator's."""
    found: Station | None = Station.objects.select_related("restroom").filter(id=station_id).first()
    if found is None:
        raise NotFound(_("There is no station here with this id."))
    return found


def restrooms() -> QuerySet[Restroom]:
    return Restroom.objects.order_by("site_id", "name")


def station_rows() -> QuerySet[Station]:
    return Station.objects.select_related("restroom").order_by("restroom_id", "name")


def stations(ids: Collection[UUID]) -> dict[UUID, StationPlace]:
    """Where stations are: the site, the restroom's and the station's name, and the fixture below."""
    return {place.station_id: place for place in by_ids(_STATIONS, ids, lambda row: StationPlace(*row))}


def stations_of_site(site_id: UUID) -> list[StationPlace]:
    return _places(Station.objects.filter(restroom__site_id=site_id).order_by("restroom__name", "name"))


def _places(rows: Any) -> list[StationPlace]:
    columns = rows.values_list(
        "id", F("restroom__site_id"), "restroom_id", F("restroom__name"), "name", "fixture"
    )
    return [StationPlace(*row) for row in columns]


def site_of_each_station() -> dict[UUID, UUID]:
    """Every station with the site it is at."""
    return dict(Station.objects.order_by().values_list("id", "restroom__site_id").iterator())
