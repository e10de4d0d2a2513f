"""What a close reads beside the log: prices, places, sites with what was agreed, contracts, and who sells and pays.

A close stores these as JSON (``freezing``). Rating reads nothing else, so replaying an old close gives the same bytes
whatever the office has renamed since.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from billing.rules.money import policy_for, step_of
from billing.rules.parties import Entity, Order, Profile, Rate, SiteTax
from billing.rules.terms import EndRule, Terms


class Basis(StrEnum):
    UNIT_MONTH = "unit_month"
    EVENT = "event"
    INSTALL = "install"
    SITE_MONTH = "site_month"
    EXTRA_UNIT = "extra_unit"
    VISIT = "visit"
    CALL_OUT = "call_out"


@dataclass(frozen=True, slots=True)
class Version:
    """A price from ``effective_from`` on, until the day before ``effective_to`` (None: for ever).

    For one contract, one site of it, or the list (neither). ``amount`` None: it waits for the figure of its index.
    """

    id: UUID
    amount: Decimal | None
    currency: str
    effective_from: date
    effective_to: date | None
    contract_id: UUID | None = None
    site_id: UUID | None = None


@dataclass(frozen=True, slots=True)
class Item:
    """What is priced. An empty fixture means any; ``event_type`` only with the basis ``event``."""

    code: str
    name: str
    basis: Basis
    fixture: str
    event_type: str
    versions: tuple[Version, ...]
    tax_class: str = "standard"
    revenue_account: str = ""

    def version_on(self, day: date) -> Version | None:
        """The list's price valid on a day; None in a gap."""
        return next(
            (
                v
                for v in self.versions
                if v.contract_id is None and covers(v.effective_from, v.effective_to, day)
            ),
            None,
        )


@dataclass(frozen=True, slots=True)
class Agreement:
    """What service a site gets, and when; the days around a due day are its grace."""

    id: UUID
    number: str
    starts_on: date
    ends_before: date | None
    anchor_on: date | None = None
    interval_months: int = 1
    grace_before_days: int = 0
    grace_after_days: int = 0


@dataclass(frozen=True, slots=True)
class DueDay:
    """A day on which a site's units were due; an exchange from ``opens_on`` on serves it."""

    due_on: date
    opens_on: date


@dataclass(frozen=True, slots=True)
class Contract:
    """What a customer pays for: its dated terms, the earliest first. It covers the days [starts_on, ends_before)."""

    id: UUID
    number: str
    customer_id: UUID
    entity_id: UUID | None
    starts_on: date
    ends_before: date | None
    term_months: int
    renewal_months: int
    notice_days: int
    end_rule: EndRule
    terms: tuple[Terms, ...]

    def terms_on(self, day: date) -> Terms | None:
        """The terms valid on a day; None before the first."""
        return next((one for one in reversed(self.terms) if one.effective_from <= day), None)


@dataclass(frozen=True, slots=True)
class ContractSite:
    """A site under a contract on the days [starts_on, ends_before)."""

    contract_id: UUID
    site_id: UUID
    starts_on: date
    ends_before: date | None


@dataclass(frozen=True, slots=True)
class Standstill:
    """A dated pause; ``ends_on`` is its last day. ``billing`` is what its days cost: full, half or none."""

    starts_on: date
    ends_on: date | None
    billing: str


@dataclass(frozen=True, slots=True)
class Site:
    id: UUID
    code: str
    name: str
    zone: str
    customer_id: UUID
    agreements: tuple[Agreement, ...]
    standstills: tuple[Standstill, ...]
    due_days: tuple[DueDay, ...] = ()

    def date_of(self, instant: datetime) -> date:
        """The calendar date an instant has at the site."""
        return local_day(instant, self.zone)

    def agreement_on(self, day: date) -> Agreement | None:
        return next((a for a in self.agreements if covers(a.starts_on, a.ends_before, day)), None)

    def halves_on(self, day: date) -> int:
        """What a day in service counts, in half days: 2, or 1 or 0 in a standstill billed half or not at all.

        Where standstills overlap the one recorded last holds.
        """
        for pause in reversed(self.standstills):
            if pause.starts_on <= day and (pause.ends_on is None or day <= pause.ends_on):
                return {"full": 2, "half": 1, "none": 0}[pause.billing]
        return 2


@dataclass(frozen=True, slots=True)
class Station:
    id: UUID
    site_id: UUID
    restroom: str
    name: str
    fixture: str

    @property
    def label(self) -> str:
        return f"{self.restroom}, {self.name}"


@dataclass(frozen=True, slots=True)
class Customer:
    id: UUID
    code: str
    name: str
    address: str
    country: str
    billing_email: str


@dataclass(frozen=True, slots=True)
class Operator:
    id: UUID
    legal_name: str
    currency: str
    zone: str


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything a close, or one part of it, reads beside the log. ``units`` gives each unit's label code.

    ``entities``: who issues, by id; under None the one that issues where a contract names nobody.
    """

    operator: Operator
    items: tuple[Item, ...]
    sites: Mapping[UUID, Site]
    stations: Mapping[UUID, Station]
    units: Mapping[UUID, str]
    customers: Mapping[UUID, Customer]
    entities: Mapping[UUID | None, Entity] = field(default_factory=dict)
    profiles: Mapping[UUID, Profile] = field(default_factory=dict)
    site_taxes: Mapping[UUID, SiteTax] = field(default_factory=dict)
    orders: tuple[Order, ...] = ()
    rates: tuple[Rate, ...] = ()
    contracts: Mapping[UUID, Contract] = field(default_factory=dict)
    contract_sites: tuple[ContractSite, ...] = ()
    # What was looked up already; it has no say in what is equal.
    found: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def items_for(self, basis: Basis, *, fixture: str = "", event_type: str = "") -> tuple[Item, ...]:
        """The price items of a piece of work: the one for this fixture first, then the one for any."""
        key = (basis, fixture, event_type)
        if (known := self.found.get(key)) is None:
            items = [
                i
                for i in self.items
                if (i.basis, i.event_type) == (basis, event_type) and i.fixture in {fixture, ""}
            ]
            known = self.found[key] = tuple(sorted(items, key=lambda item: item.fixture == ""))
        return known

    @property
    def prices_from(self) -> date | None:
        """The first day of any price on the list; what no contract covers before it is not billable. None: no list."""
        if "prices_from" not in self.found:
            days = (v.effective_from for i in self.items for v in i.versions if v.contract_id is None)
            self.found["prices_from"] = min(days, default=None)
        return self.found["prices_from"]

    @property
    def charged_from(self) -> date | None:
        """The first day of any price, the list's or a contract's: nothing is charged before it. None without prices."""
        if "charged_from" not in self.found:
            days = (v.effective_from for i in self.items for v in i.versions)
            self.found["charged_from"] = min(days, default=None)
        return self.found["charged_from"]

    def entity_of(self, contract_id: UUID | None) -> Entity:
        """Who issues for a contract, or (None) for work by the list: the default entity, else the operator itself."""
        contract = self.contracts.get(contract_id) if contract_id is not None else None
        named = self.entities.get(contract.entity_id) if contract is not None else None
        named = named or self.entities.get(None)
        return named or Entity(None, "", self.operator.legal_name, self.operator.currency)

    def profile_of(self, customer_id: UUID) -> Profile:
        """What billing knows of a customer; the default values where it knows nothing."""
        return self.profiles.get(customer_id) or Profile(customer_id)

    def payer_of(self, customer_id: UUID) -> UUID:
        """Who gets and pays the documents for a customer."""
        profile = self.profiles.get(customer_id)
        return (profile.bill_to_id if profile is not None else None) or customer_id

    def contract_on(self, site_id: UUID, day: date) -> tuple[Contract, Terms] | None:
        """The contract that covers a site on a day, and its terms then."""
        for one in self.covers_of(site_id):
            if covers(one.starts_on, one.ends_before, day):
                contract = self.contracts[one.contract_id]
                terms = contract.terms_on(day)
                if terms is not None and covers(contract.starts_on, contract.ends_before, day):
                    return contract, terms
        return None

    def covers_of(self, site_id: UUID) -> tuple[ContractSite, ...]:
        """Every stretch of days on which a contract covers a site, the earliest first."""
        if "covers" not in self.found:
            by_site: dict[UUID, list[ContractSite]] = {}
            for one in self.contract_sites:
                by_site.setdefault(one.site_id, []).append(one)
            self.found["covers"] = {
                site: tuple(sorted(rows, key=lambda row: row.starts_on)) for site, rows in by_site.items()
            }
        return self.found["covers"].get(site_id, ())

    def step(self, entity: Entity, currency: str) -> Decimal:
        """The smallest amount on a document of this entity: the minor unit, but 0.01 at least on an e-invoice."""
        return step_of(policy_for(currency, e_invoicing=entity.is_e_invoicing), currency)


_zone = lru_cache(maxsize=None)(ZoneInfo)


def local_day(instant: datetime, zone: str) -> date:
    """The calendar date of an aware instant in an IANA zone."""
    return instant.astimezone(_zone(zone)).date()


def covers(starts_on: date, ends_before: date | None, day: date) -> bool:
    return starts_on <= day and (ends_before is None or day < ends_before)
