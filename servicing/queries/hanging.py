"""What hangs where now, station by station."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing.models import UnitState
from servicing.rules.unit import UnitHistory


def codes_at_site(site_id: UUID) -> dict[UUID, str]:
    """By station of a site, the code of the unit that hangs there; of two the first by code."""
    rows = UnitState.objects.filter(site_id=site_id, station_id__isnull=False).order_by("-unit__code")
    return dict(rows.values_list("station_id", "unit__code"))


def codes_at(station_ids: Collection[UUID]) -> dict[UUID, str]:
    """By station, the code of the unit that hangs there."""
    rows = UnitState.objects.filter(station_id__in=station_ids).order_by("-unit__code")
    return dict(rows.values_list("station_id", "unit__code"))


def empty_stations(site_id: UUID) -> list[StationPlace]:
    """The stations of a site where no unit hangs, by restroom and name."""
    taken = codes_at_site(site_id)
    return [place for place in fleet.stations_of_site(site_id) if place.station_id not in taken]


def histories_of(unit_ids: Collection[UUID]) -> dict[UUID, UnitHistory]:
    """What is stored of these units; one without events is not among them."""
    rows = UnitState.objects.filter(unit_id__in=unit_ids).values_list("unit_id", "history")
    return {unit_id: UnitHistory.from_json(stored) for unit_id, stored in rows}
