"""The standing cast: an operator with its people, a phone, a customer, a site and units; and how its crew writes."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts.commands import customers as customer_commands
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.models import Crew, Customer, Device, Operator, ServiceAgreement, Site, User
from accounts.permissions import Actor, ActorKind, Role
from fleet import commands as fleet_commands
from fleet.models import Cartridge, Station, Unit
from servicing.commands.uploads import Fate, upload_events

NOON = datetime(2026, 6, 15, 12, 0, tzinfo=UTC)
PASSWORD = "a long enough phrase"

_numbers = itertools.count(1)


@dataclass
class Cast:
    operator: Operator
    users: dict[Role, User]
    actors: dict[Role, Actor]
    crew: Crew
    phone: Device
    phone_token: str
    customer: Customer
    site: Site
    agreement: ServiceAgreement
    cartridge: Cartridge
    stations: list[Station]
    units: list[Unit]
    mark: str = ""
    sequence: Any = field(default_factory=lambda: itertools.count(1))

    @property
    def owner(self) -> Actor:
        return self.actors[Role.OWNER]

    @property
    def dispatcher(self) -> Actor:
        return self.actors[Role.DISPATCHER]

    @property
    def crew_phone(self) -> Actor:
        return Actor(
            operator_id=self.operator.id,
            kind=ActorKind.DEVICE,
            role=Role.CREW_MEMBER,
            id=self.phone.id,
            name=self.phone.label,
            crew_id=self.crew.id,
        )

    @property
    def unit(self) -> Unit:
        return self.units[0]

    def event(
        self, kind: str, subject: Unit | Site | UUID, at: datetime | None = None, /, **rest: Any
    ) -> dict[str, Any]:
        """One event as the crew's phone sends it; keywords that name the envelope go there, others into the payload."""
        envelope: dict[str, Any] = {
            name: str(rest.pop(name))
            for name in ("visit", "touch", "corrects", "member", "id")
            if name in rest
        }
        subject_kind = (
            "unit" if isinstance(subject, Unit) else "site" if isinstance(subject, Site) else "visit"
        )
        return {
            "id": str(uuid7(at or clock.now())),
            "device_sequence": next(self.sequence),
            "type": kind,
            "subject": {
                "kind": subject_kind,
                "id": str(subject if isinstance(subject, UUID) else subject.id),
            },
            "occurred_at": (at or clock.now()).isoformat(),
            "payload": {
                name: str(value) if isinstance(value, UUID | date) else value for name, value in rest.items()
            },
            **envelope,
        }

    def installed(
        self, unit: Unit | None = None, at: datetime | None = None, station: int = 0
    ) -> dict[str, Any]:
        return self.event(
            "unit.installed",
            unit or self.unit,
            at,
            station_id=self.stations[station].id,
            cartridge_id=self.cartridge.id,
            charge_ml=280,
            wick="new",
        )

    def exchanged(self, unit: Unit | None = None, at: datetime | None = None, **rest: Any) -> dict[str, Any]:
        values = {"cartridge_left_ml": 40, "reservoir_before_ml": 20, "reservoir_after_ml": 20, **rest}
        return self.event(
            "cartridge.exchanged",
            unit or self.unit,
            at,
            cartridge_id=self.cartridge.id,
            charge_ml=280,
            **values,
        )

    def upload(self, *events: dict[str, Any]) -> list[Fate]:
        return upload_events(actor=self.crew_phone, events=list(events))

    def reading(self) -> Any:
        return tenancy.reading(self.owner)


def new_cast(
    slug: str, *, zone: str = "Europe/Berlin", currency: str = "EUR", units: int = 3, mark: str = ""
) -> Cast:
    """A fresh operator; nothing of it is shared with another test. With ``mark`` its codes and names tell it from others."""
    number = next(_numbers)
    tag = f"{slug}-{uuid7().hex[-10:]}"
    operator = operators.create_operator(
        slug=tag, name=tag, legal_name=f"{slug.title()} Fixture Care", currency=currency, zone=zone
    )
    first = Actor(operator_id=operator.id, kind=ActorKind.SYSTEM, role=Role.OWNER)
    crew = operators.add_crew(actor=first, name=f"{mark}Crew A")
    users: dict[Role, User] = {}
    actors: dict[Role, Actor] = {}
    for role in Role:
        users[role] = _user(f"{role.replace('_', '-')}@{tag}.example", role.replace("_", " ").title())
        crew_id = crew.id if role is Role.CREW_MEMBER else None
        member = operators.add_member(
            actor=first, user_id=users[role].id, role=role, name=users[role].name, crew_id=crew_id
        )
        actors[role] = Actor(operator.id, ActorKind.MEMBER, role, member.id, member.name, crew_id)
    phone, token = operators.register_device(actor=first, crew_id=crew.id, label=f"Phone {number}")
    customer = customer_commands.add_customers(
        actor=first, customers=[{"code": f"{mark}C1", "name": f"{mark}Quay Schools", "country": "DE"}]
    )[0]
    site = customer_commands.add_sites(
        actor=first,
        sites=[
            {
                "customer_id": customer.id,
                "code": f"{mark}S1",
                "name": f"{mark}Marl Quay School",
                "kind": "school",
                "zone": zone,
                "crew_id": crew.id,
            }
        ],
    )[0]
    agreement = customer_commands.add_agreements(
        actor=first,
        agreements=[
            {
                "site_id": site.id,
                "number": f"{mark}A1",
                "anchor_on": date(2026, 1, 10),
                "starts_on": date(2026, 1, 1),
            }
        ],
    )[0]
    liquid = fleet_commands.add_liquid(actor=first, name=f"{mark}Scale remover", family="acid")
    cartridge = fleet_commands.add_cartridge(
        actor=first,
        code=f"{mark}C280",
        name=f"{mark}280 mL",
        liquid_id=liquid.id,
        volume_ml=280,
        nominal_dose_ml_per_day=Decimal(8),
    )
    restroom = fleet_commands.add_restrooms(
        actor=first, restrooms=[{"site_id": site.id, "name": f"{mark}Ground floor"}]
    )[0]
    stations = fleet_commands.add_stations(
        actor=first,
        stations=[
            {"restroom_id": restroom.id, "name": f"{n}", "fixture": "urinal" if n % 2 else "water_closet"}
            for n in range(1, units + 1)
        ],
    )
    model = fleet_commands.add_unit_model(actor=first, name=f"{mark}Wall unit", reservoir_ml=40)
    made = fleet_commands.print_labels(actor=first, unit_model_id=model.id, count=units)
    return Cast(
        operator,
        users,
        actors,
        crew,
        phone,
        token,
        customer,
        site,
        agreement,
        cartridge,
        stations,
        made,
        mark,
    )


_HASHED: dict[str, str] = {}


def _user(email: str, name: str) -> User:
    """A person with the cast's password, hashed once: the slow hash is under test elsewhere."""
    if not _HASHED:
        _HASHED["password"] = operators.make_password(PASSWORD)
    user = User(id=uuid7(), email=email, name=name, password=_HASHED["password"])
    user.save(force_insert=True)
    return user


DAY = timedelta(days=1)
