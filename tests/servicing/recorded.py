"""How the tests of the service record play visits, photos and plans, and second sites."""

from __future__ import annotations

import io
from datetime import date, datetime, time
from typing import Any
from uuid import UUID, uuid4

from PIL import Image

from accounts.commands import customers
from accounts.ids import uuid7
from accounts.models import Site
from fleet import commands as fleet
from fleet.models import Station, Unit
from servicing.commands import photos, planning
from servicing.models import PlannedVisit
from tests.cast import Cast


def visited(
    cast: Cast, at: datetime, *touches: dict[str, Any], outcome: str = "served", site: Site | None = None
) -> UUID:
    """One visit at an instant with its touches, uploaded by the crew's phone; gives its id."""
    visit = uuid7(at)
    made = cast.event(
        "visit.made", visit, at, site_id=(site or cast.site).id, outcome=outcome, crew_id=cast.crew.id
    )
    for touch in touches:
        touch["visit"] = str(visit)
    cast.upload(*touches, made)
    return visit


def second_site(cast: Cast, code: str = "S2", name: str = "Fen House") -> tuple[Site, Station]:
    """Another site of the cast's customer, with one restroom and one station."""
    site = customers.add_sites(
        actor=cast.owner,
        sites=[
            {
                "customer_id": cast.customer.id,
                "code": code,
                "name": name,
                "kind": "office",
                "zone": "Europe/Berlin",
            }
        ],
    )[0]
    room = fleet.add_restrooms(actor=cast.owner, restrooms=[{"site_id": site.id, "name": "Lobby"}])[0]
    station = fleet.add_stations(
        actor=cast.owner, stations=[{"restroom_id": room.id, "name": "left", "fixture": "urinal"}]
    )[0]
    return site, station


def second_room(cast: Cast) -> tuple[UUID, Station]:
    """Another restroom of the cast's site, with one station; gives the room's id."""
    room = fleet.add_restrooms(
        actor=cast.owner, restrooms=[{"site_id": cast.site.id, "name": "First floor"}]
    )[0]
    station = fleet.add_stations(
        actor=cast.owner, stations=[{"restroom_id": room.id, "name": "9", "fixture": "water_closet"}]
    )[0]
    return room.id, station


def photographed(cast: Cast, visit: UUID, at: datetime, unit: Unit | None = None) -> UUID:
    """A photo of a unit of the cast, or of its site, taken during a visit."""
    drawn = io.BytesIO()
    Image.new("RGB", (40, 30), (uuid4().int % 256, 90, 90)).save(drawn, "JPEG")
    named = {"unit_id": unit.id} if unit else {"site_id": cast.site.id}
    kept = photos.add_photo(
        actor=cast.crew_phone, id=uuid7(at), content=drawn.getvalue(), visit_id=visit, taken_at=at, **named
    )
    return kept.id


def planned(cast: Cast, day: date, begins_at: time | None = None) -> PlannedVisit:
    return planning.plan_visit(
        actor=cast.dispatcher, site_id=cast.site.id, day=day, crew_id=cast.crew.id, begins_at=begins_at
    )
