"""What was agreed about money in the invented world: who issues, what is taxed, and each customer's contract.

A pure function of the operator's master data. Names, rates of tax and account numbers are made up, and so is every price.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from uuid import UUID

from dateutil.relativedelta import relativedelta

from demo_tenant.masterdata import CustomerPlan, MasterData, SitePlan
from demo_tenant.setting import Setting
from demo_tenant.streams import Stream

# How the kinds of places like to pay; the others pay each unit's month by the list.
MODES = {
    "arena": "base_plus",
    "beach": "per_visit",
    "clinic": "flat_site",
    "hotel": "unit_service",
    "plant": "base_plus",
    "restaurant": "unit_month",
    "school": "flat_site",
    "transit": "base_plus",
}
WITHOUT_CONTRACT = 0.3
FLAT_DISCOUNT = Decimal("0.92")
BASE_SHARE = 0.6
MAILED, PAYER, ORDERING = 2, 4, 0.4
HALF = Decimal("0.50")
INDEX = "SERVICE-COST"


@dataclass(frozen=True, slots=True)
class EntityPlan:
    """Who issues the operator's documents."""

    legal_name: str
    street: str
    city: str
    postcode: str
    subdivision: str
    country: str
    vat_id: str
    regime: str
    tax_jurisdiction: str
    iban: str
    bank_name: str


@dataclass(frozen=True, slots=True)
class RatePlan:
    jurisdiction: str
    category: str
    rate: Decimal
    name: str


@dataclass(frozen=True, slots=True)
class SiteFee:
    """What a site under contract costs a month, flat or as a base; None where units or visits are counted."""

    site_id: UUID
    site_code: str
    starts_on: date
    monthly: Decimal | None


@dataclass(frozen=True, slots=True)
class ContractPlan:
    """One customer's contract over all its sites."""

    number: str
    customer_id: UUID
    starts_on: date
    term_months: int
    mode: str
    fees: tuple[SiteFee, ...]
    in_advance: bool = False
    cycle_months: int = 1
    base_units: int = 0
    visit_minimum: Decimal | None = None
    wick_a_year: bool = False
    credits_missed: bool = False
    credit_as: str = "line"
    indexed: bool = False


@dataclass(frozen=True, slots=True)
class ProfilePlan:
    """What billing knows of a customer; ``order`` is the purchase order that it wants to see on its invoices."""

    customer_id: UUID
    street: str
    city: str
    delivery: str
    bill_to_id: UUID | None = None
    order: str = ""


@dataclass(frozen=True, slots=True)
class Bargains:
    """The money side of one operator."""

    entity: EntityPlan
    rates: tuple[RatePlan, ...]
    profiles: tuple[ProfilePlan, ...]
    contracts: tuple[ContractPlan, ...]


def draw_bargains(setting: Setting, master: MasterData) -> Bargains:
    """Entity, tax rates and contracts: a pure function of the setting and its master data."""
    sites: dict[UUID, list[SitePlan]] = defaultdict(list)
    for site in master.sites:
        sites[site.customer_id].append(site)
    drawn = [
        _contract(setting, number, customer, sites[customer.id], setting.stream("contract", number))
        for number, customer in enumerate(master.customers)
    ]
    profiles = [
        _profile(master, number, sites[customer.id], setting.stream("profile", number))
        for number, customer in enumerate(master.customers)
    ]
    return Bargains(
        _entity(setting), _rates(setting), tuple(profiles), tuple(one for one in drawn if one is not None)
    )


def _entity(setting: Setting) -> EntityPlan:
    plan = setting.plan
    # No bank has the code 0: a transfer to these goes nowhere.
    shapes = {
        "DE": (
            "Weir Street 1",
            "00001",
            "",
            "DE000000001",
            "vat",
            "DE09000000000000000001",
            "Fen Trial Bank",
        ),
        "GB": (
            "1 Harbour Row",
            "ZZ1 1ZZ",
            "",
            "GB000000001",
            "vat",
            "GB29ZZZZ00000000000001",
            "Coast Trial Bank",
        ),
        "US": ("1 Tollgate Road", "00001", "CO", "", "sales_tax", "", "Basin Trial Bank"),
    }
    street, postcode, subdivision, vat_id, regime, iban, bank = shapes[plan.country]
    return EntityPlan(
        plan.legal_name, street, plan.towns[0], postcode, subdivision, plan.country, vat_id, regime,
        plan.country, iban, bank,
    )  # fmt: skip


def _rates(setting: Setting) -> tuple[RatePlan, ...]:
    """One rate an operator; where sales are taxed by town, one a town."""
    plan = setting.plan
    if plan.country != "US":
        rate, name = {"DE": (Decimal(19), "VAT"), "GB": (Decimal(20), "VAT")}[plan.country]
        return (RatePlan(plan.country, "S", rate, name),)
    return (
        RatePlan("US", "S", Decimal("4.2"), "Sales tax"),
        *(
            RatePlan(town_jurisdiction(town), "S", Decimal("4.2") + HALF * place, f"Sales tax, {town}")
            for place, town in enumerate(plan.towns, start=1)
        ),
    )


def town_jurisdiction(town: str) -> str:
    """The tax jurisdiction of a town of the United States part of the world."""
    return f"US-{town.upper().replace(' ', '-')}"[:20]


def _profile(master: MasterData, number: int, sites: list[SitePlan], stream: Stream) -> ProfilePlan:
    """Two customers get mail, so that there is some to look at; works want an order number; one pays for another."""
    customer = master.customers[number]
    street, _, city = customer.address.rpartition(", ")
    wants_order = sites[0].kind == "plant" and stream.chance(ORDERING)
    return ProfilePlan(
        customer.id,
        street,
        city,
        delivery="email" if number < MAILED else "none",
        bill_to_id=master.customers[PAYER].id if number == PAYER + 1 else None,
        order=f"PO-{stream.whole(1_000, 9_999)}" if wants_order else "",
    )


def _contract(
    setting: Setting, number: int, customer: CustomerPlan, sites: list[SitePlan], stream: Stream
) -> ContractPlan | None:
    if stream.chance(WITHOUT_CONTRACT):
        return None
    mode = MODES.get(sites[0].kind, "unit_month")
    terms = {
        "in_advance": mode == "flat_site" and stream.chance(0.5),
        "wick_a_year": stream.chance(0.5),
        "credits_missed": mode in {"flat_site", "base_plus"},
        "credit_as": "credit_note" if stream.chance(0.3) else "line",
        "term_months": stream.pick((12, 24, 36)),
        "indexed": stream.chance(0.4),
    }
    quarterly = bool(terms["in_advance"]) and stream.chance(0.6)
    return ContractPlan(
        number=f"{setting.plan.prefix}-K{number + 1:04d}",
        customer_id=customer.id,
        starts_on=min(site.agreement.starts_on for site in sites),
        mode=mode,
        fees=tuple(_fee(setting, site, mode) for site in sites),
        base_units=_base_units(sites) if mode == "base_plus" else 0,
        visit_minimum=setting.plan.site_minimum if mode in {"unit_service", "per_visit"} else None,
        cycle_months=3 if quarterly else 1,
        **terms,  # type: ignore[arg-type]
    )


def _fee(setting: Setting, site: SitePlan, mode: str) -> SiteFee:
    units = len(site.stations) if mode == "flat_site" else _base_units([site])
    price = setting.plan.closet_price * FLAT_DISCOUNT * units
    monthly = (price / HALF).quantize(Decimal(1), rounding=ROUND_HALF_UP) * HALF
    return SiteFee(
        site.id,
        site.code,
        max(site.agreement.starts_on, taken_over_on(setting)),
        monthly if mode in {"flat_site", "base_plus"} else None,
    )


def _base_units(sites: list[SitePlan]) -> int:
    return max(1, int(BASE_SHARE * min(len(site.stations) for site in sites)))


def taken_over_on(setting: Setting) -> date:
    """The day from which contracts are charged: before it somebody else's books held them."""
    return setting.span.first_day.replace(day=1) + relativedelta(months=1)


def second_year(setting: Setting) -> date:
    """The first of the month a year into the world: indexed fees move then."""
    return setting.span.first_day.replace(day=1) + relativedelta(months=12)
