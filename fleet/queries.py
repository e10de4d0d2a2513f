"""Every read of the fleet that others use, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import F, QuerySet

from accounts.errors import NotFound
from accounts.ids import normalise_label_code
from fleet.models import Cartridge, Liquid, Restroom, Station, Unit, UnitModel


@dataclass(frozen=True, slots=True)
class StationPlace:
    station_id: UUID
    site_id: UUID
    restroom_id: UUID
    restroom: str
    station: str
    fixture: str


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
    return set(Unit.objects.filter(id__in=ids).values_list("id", flat=True))


def unit_codes(ids: Collection[UUID]) -> dict[UUID, str]:
    return dict(Unit.objects.filter(id__in=ids).values_list("id", "code"))


def stations(ids: Collection[UUID]) -> dict[UUID, StationPlace]:
    """Where stations are: the site, the restroom's and the station's name, and the fixture below."""
    return {place.station_id: place for place in _places(Station.objects.filter(id__in=ids))}


def stations_of_site(site_id: UUID) -> list[StationPlace]:
    return _places(Station.objects.filter(restroom__site_id=site_id).order_by("restroom__name", "name"))


def _places(rows: Any) -> list[StationPlace]:
    columns = rows.values_list(
        "id", F("restroom__site_id"), "restroom_id", F("restroom__name"), "name", "fixture"
    )
    return [StationPlace(*row) for row in columns]


def cartridges_in(ids: Collection[UUID]) -> dict[UUID, Cartridge]:
    return {cartridge.id: cartridge for cartridge in Cartridge.objects.filter(id__in=ids)}
