"""What crews found before they hung a unit up, and what was spilled: a site's own notes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from fleet import queries as fleet
from servicing import log
from servicing.events.types import PlacementChecked, SpillLogged
from servicing.queries.events import KnownEvent, known_events
from servicing.rules.placement import outcome_of_liquids


@dataclass(frozen=True, slots=True)
class BlockedStation:
    """A station where no unit with this cartridge may hang, since its latest check; the product as the crew noted it."""

    station_id: UUID
    cartridge_id: UUID
    bowl_product: str
    checked_at: datetime


def site_notes(site_id: UUID) -> list[KnownEvent]:
    """The placement checks and spills of a site that stand, the newest first."""
    events = known_events(upto=log.head_position(), subject_ids={site_id})
    noted = [
        event
        for event in events
        if event.standing == "effective" and isinstance(event.payload, PlacementChecked | SpillLogged)
    ]
    return noted[::-1]


def blocked_stations(notes: list[KnownEvent]) -> list[BlockedStation]:
    """The stations whose latest check breaks the rule: as the crew recorded it, or as the rule reads what it found."""
    families = {cartridge.id: cartridge.liquid.family for cartridge in fleet.cartridges()}
    latest: dict[UUID, tuple[datetime, PlacementChecked]] = {}
    for event in reversed(notes):
        if isinstance(event.payload, PlacementChecked):
            latest[event.payload.station_id] = (event.occurred_at, event.payload)
    return [
        BlockedStation(station_id, check.cartridge_id, check.bowl_product or "none", at)
        for station_id, (at, check) in latest.items()
        if "breaks"
        in (check.outcome, outcome_of_liquids(families.get(check.cartridge_id, ""), check.bowl_product))
    ]
