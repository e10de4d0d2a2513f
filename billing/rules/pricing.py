"""Which price a piece of work has on a day: the site's own, its contract's, or the list's."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

from billing.rules.inputs import Agreement, Basis, Contract, Inputs, Item, Site, Version, covers
from billing.rules.terms import Terms

LISTED = "price_list"  # the clause of what no contract covers


@dataclass(frozen=True, slots=True)
class Cover:
    """On what a day at a site is billed: a contract and its terms then, or (both None) the list."""

    agreement: Agreement | None
    contract: Contract | None = None
    terms: Terms | None = None

    @property
    def clause(self) -> str:
        return f"contract:{self.terms.mode}" if self.terms is not None else LISTED

    @property
    def party_id(self) -> UUID | None:
        """What the keys of charges name: the contract, else the service agreement."""
        if self.contract is not None:
            return self.contract.id
        return self.agreement.id if self.agreement is not None else None


@dataclass(frozen=True, slots=True)
class Price:
    """An item and its price on a day; None: a gap in its prices."""

    item: Item
    version: Version | None

    @property
    def is_missing_index(self) -> bool:
        return self.version is not None and self.version.amount is None

    @property
    def amount(self) -> Decimal:
        if self.version is None or self.version.amount is None:
            raise ValueError(f"{self.item.code} has no price on this day.")
        return self.version.amount


def cover_on(inputs: Inputs, site: Site, day: date) -> Cover | None:
    """What a day at a site is billed by; None where neither a contract nor (without one) an agreement covers it.

    A site whose contract is over does not fall back to the list: its work waits for the next contract.
    """
    covering = inputs.contract_on(site.id, day)
    if covering is not None:
        return Cover(site.agreement_on(day), *covering)
    if contract_is_over(inputs, site, day):
        return None
    agreement = site.agreement_on(day)
    return Cover(agreement) if agreement is not None else None


def contract_is_over(inputs: Inputs, site: Site, day: date) -> bool:
    """Whether a contract covered the site before this day, which none covers."""
    return any(one.starts_on <= day for one in inputs.covers_of(site.id))


def price_on(
    inputs: Inputs,
    basis: Basis,
    day: date,
    *,
    fixture: str = "",
    event_type: str = "",
    contract: Contract | None = None,
    site_id: UUID | None = None,
) -> Price | None:
    """What a piece of work costs on a day: the price for the site, else for the contract, else the list's.

    In each of them the item for the fixture goes before the one for any. On the list an item is not there before its
    first price, so that a new one changes no day before it; None when no item is there.
    """
    items = inputs.items_for(basis, fixture=fixture, event_type=event_type)
    if contract is not None and (own := _own_price(inputs, items, contract.id, site_id, day)):
        return own
    for item in items:
        versions = _versions(inputs)[item.code, None]
        if any(version.effective_from <= day for version in versions):
            return Price(item, _valid(versions, day))
    return None


def _own_price(
    inputs: Inputs, items: Sequence[Item], contract_id: UUID, site_id: UUID | None, day: date
) -> Price | None:
    of_contract = None
    for item in items:
        for version in _versions(inputs).get((item.code, contract_id), ()):
            if version.site_id in {site_id, None} and covers(
                version.effective_from, version.effective_to, day
            ):
                if version.site_id is not None:
                    return Price(item, version)
                of_contract = of_contract or Price(item, version)
    return of_contract


def _valid(versions: Sequence[Version], day: date) -> Version | None:
    return next((v for v in versions if covers(v.effective_from, v.effective_to, day)), None)


def _versions(inputs: Inputs) -> Mapping[tuple[str, UUID | None], Sequence[Version]]:
    """Every item's prices by whose they are: a contract's, or (None) the list's."""
    known: dict[tuple[str, UUID | None], list[Version]] | None = inputs.found.get("versions")
    if known is None:
        known = defaultdict(list)
        for item in inputs.items:
            for version in item.versions:
                known[item.code, version.contract_id].append(version)
        inputs.found["versions"] = known
    return known


def price_changes(inputs: Inputs, items: Sequence[Item], contract: Contract | None) -> set[date]:
    """The days on which a price of these items begins or ends, on the list or for this contract."""
    days: set[date] = set()
    for item in items:
        for party in {None, contract.id if contract is not None else None}:
            for version in _versions(inputs).get((item.code, party), ()):
                days.add(version.effective_from)
                if version.effective_to is not None:
                    days.add(version.effective_to)
    return days
