"""Every read of the fleet that others use, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import connection
from django.db.models import F, QuerySet

from accounts.errors import NotFound
from accounts.ids import normalise_label_code
from accounts.tenancy import current_operator_id
from fleet.models import Cartridge, Liquid, Restroom, Station, Unit, UnitModel

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class StationPlace:
    station_id: UUID
    site_id: UUID
    restroom_id: UUID
    restroom: str
    station: str
    fixture: str


class CartridgeFacts(NamedTuple):
    """A cartridge's code, its nominal dose in mL a day, and the family of its liquid."""

    code: str
    nominal_ml_per_day: float
    family: str


def get_unit(unit_id: UUID) -> Unit:
    """A unit by id; NotFound for one that is absent or another operator's."""
    try:
        return Unit.objects.select_related("unit_model").get(id=unit_id)
    except (Unit.DoesNotExist, ValidationError, ValueError):
        raise NotFound("There is no unit here with this id.") from None


def unit_by_code(code: str) -> Unit:
    """A unit by its printed label, in any spelling (lower case, spaces, dashes)."""
    unit = Unit.objects.select_related("unit_model").filter(code=normalise_label_code(code)).first()
    if unit is None:
        raise NotFound("There is no unit here with this label. Check the nine characters on it.")
    return unit


def units() -> QuerySet[Unit]:
    return Unit.objects.select_related("unit_model").order_by("code")


def unit_models() -> QuerySet[UnitModel]:
    return UnitModel.objects.order_by("name")


def liquids() -> QuerySet[Liquid]:
    return Liquid.objects.order_by("name")


def cartridges() -> QuerySet[Cartridge]:
    return Cartridge.objects.select_related("liquid").order_by("code")


def restrooms() -> QuerySet[Restroom]:
    return Restroom.objects.order_by("site_id", "name")


def station_rows() -> QuerySet[Station]:
    return Station.objects.select_related("restroom").order_by("restroom_id", "name")


def known_unit_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(_by_ids(_KNOWN_UNITS, ids, lambda row: row[0]))


def unit_codes(ids: Collection[UUID]) -> dict[UUID, str]:
    return dict(Unit.objects.filter(id__in=ids).values_list("id", "code"))


def stations(ids: Collection[UUID]) -> dict[UUID, StationPlace]:
    """Where stations are: the site, the restroom's and the station's name, and the fixture below."""
    return {place.station_id: place for place in _by_ids(_STATIONS, ids, lambda row: StationPlace(*row))}


def stations_of_site(site_id: UUID) -> list[StationPlace]:
    return _places(Station.objects.filter(restroom__site_id=site_id).order_by("restroom__name", "name"))


def cartridge_facts(ids: Collection[UUID]) -> dict[UUID, CartridgeFacts]:
    """What forecasts need to know of these cartridges."""
    return dict(_by_ids(_CARTRIDGES, ids, lambda row: (row[0], CartridgeFacts(*row[1:]))))


# Asked by every upload: written out, since building these costs the ORM more than the database takes to answer.
_CARTRIDGES = """
SELECT c.id, c.code, c.nominal_dose_ml_per_day::float8, l.family
FROM fleet_cartridge c JOIN fleet_liquid l ON l.operator_id = c.operator_id AND l.id = c.liquid_id
WHERE c.operator_id = %s AND c.id = ANY(%s)
"""
_KNOWN_UNITS = "SELECT id FROM fleet_unit WHERE operator_id = %s AND id = ANY(%s)"
_STATIONS = """
SELECT s.id, r.site_id, r.id, r.name, s.name, s.fixture
FROM fleet_station s JOIN fleet_restroom r ON r.operator_id = s.operator_id AND r.id = s.restroom_id
WHERE s.operator_id = %s AND s.id = ANY(%s)
"""


def _by_ids(sql: str, ids: Collection[UUID], read: Callable[[tuple[Any, ...]], Row]) -> list[Row]:
    with connection.cursor() as cursor:
        cursor.execute(sql, [current_operator_id(), list(ids)])
        return [read(row) for row in cursor.fetchall()]


def _places(rows: Any) -> list[StationPlace]:
    columns = rows.values_list(
        "id", F("restroom__site_id"), "restroom_id", F("restroom__name"), "name", "fixture"
    )
    return [StationPlace(*row) for row in columns]


def cartridges_in(ids: Collection[UUID]) -> dict[UUID, Cartridge]:
    return {cartridge.id: cartridge for cartridge in Cartridge.objects.filter(id__in=ids)}


def site_of_each_station() -> dict[UUID, UUID]:
    """Every station with the site it is at."""
    return dict(Station.objects.order_by().values_list("id", "restroom__site_id").iterator())
