"""What an operator of the invented world has on file before the first event: places, people, units, prices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID


@dataclass(frozen=True, slots=True)
class CrewPlan:
    id: UUID
    name: str
    device_id: UUID
    device_label: str
    member_id: UUID
    only_months: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class MemberPlan:
    id: UUID
    user_id: UUID
    role: str
    name: str
    email: str
    phone: str
    crew_id: UUID | None = None


@dataclass(frozen=True, slots=True)
class CustomerPlan:
    id: UUID
    code: str
    name: str
    billing_email: str
    address: str
    country: str


@dataclass(frozen=True, slots=True)
class AgreementPlan:
    """``ends_on`` is the first day without service; None while no end is agreed."""

    id: UUID
    number: str
    interval_months: int
    grace_before_days: int
    grace_after_days: int
    anchor_on: date
    starts_on: date
    ends_on: date | None


@dataclass(frozen=True, slots=True)
class StationPlan:
    id: UUID
    restroom_id: UUID
    name: str
    fixture: str

    @property
    def takes_acid(self) -> bool:
        """Urinals get the scale loosener, an acid; toilets the deodoriser."""
        return self.fixture == "urinal"


@dataclass(frozen=True, slots=True)
class RestroomPlan:
    id: UUID
    name: str


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A site with its rooms; ``stations`` are used from the start, ``spare_stations`` only after a move.

    ``uses_bleach``: its own cleaners put bleach tablets into the fixtures until they are told of it.
    """

    index: int
    id: UUID
    customer_id: UUID
    code: str
    name: str
    kind: str
    town: str
    address: str
    latitude: float
    longitude: float
    bearing: float
    zone: str
    crew: int
    agreement: AgreementPlan
    restrooms: tuple[RestroomPlan, ...]
    stations: tuple[StationPlan, ...]
    spare_stations: tuple[StationPlan, ...]
    uses_bleach: bool = False


@dataclass(frozen=True, slots=True)
class UnitModelPlan:
    id: UUID
    name: str
    reservoir_ml: int


@dataclass(frozen=True, slots=True)
class LiquidPlan:
    id: UUID
    name: str
    family: str
    sds_revision_on: date
    caution: str


@dataclass(frozen=True, slots=True)
class CartridgePlan:
    id: UUID
    code: str
    name: str
    liquid_id: UUID
    volume_ml: int
    nominal_dose_ml_per_day: Decimal


@dataclass(frozen=True, slots=True)
class UnitPlan:
    id: UUID
    code: str
    unit_model_id: UUID
    printed_on: date


@dataclass(frozen=True, slots=True)
class PricePlan:
    """One price from a day on of the item ``id``; ``basis`` is unit_month, event or install."""

    id: UUID
    code: str
    name: str
    basis: str
    fixture: str | None
    event_type: str | None
    amount: Decimal
    effective_from: date


@dataclass(frozen=True, slots=True)
class MasterData:
    """All of one operator; ``office_device_id`` is the device its forms write through."""

    id: UUID
    slug: str
    legal_name: str
    currency: str
    zone: str
    locale: str
    country: str
    office_device_id: UUID
    crews: tuple[CrewPlan, ...]
    members: tuple[MemberPlan, ...]
    customers: tuple[CustomerPlan, ...]
    sites: tuple[SitePlan, ...]
    unit_models: tuple[UnitModelPlan, ...]
    liquids: tuple[LiquidPlan, ...]
    cartridges: tuple[CartridgePlan, ...]
    prices: tuple[PricePlan, ...]
    site_minimum: Decimal
