"""Reads of the price list, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

from django.db.models import QuerySet

from accounts.errors import NotFound
from billing.models import (
    PriceItem,
    PriceVersion,
)
from billing.rules.inputs import Basis, Item, Version


@dataclass(frozen=True, slots=True)
class PricedItem:
    """An item of the price list with its prices, the earliest first."""

    item: PriceItem
    prices: tuple[PriceVersion, ...]


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One item of the price list as it stands on a day; ``amount`` None before its first price."""

    code: str
    name: str
    basis: str
    fixture: str
    event_type: str
    amount: Decimal | None
    currency: str
    effective_from: date | None
    effective_to: date | None


def price_items() -> QuerySet[PriceItem]:
    return PriceItem.objects.order_by("code")


def get_price_item(code: str) -> PriceItem:
    item = PriceItem.objects.filter(code=code).first()
    if item is None:
        raise NotFound("There is no price item here with this code.")
    return item


def price_versions() -> QuerySet[PriceVersion]:
    """Every price, an item's earliest first."""
    return PriceVersion.objects.select_related("item").order_by("item__code", "effective_from")


def with_prices(items: Sequence[PriceItem]) -> list[PricedItem]:
    """Items beside their prices, in the order given."""
    prices: dict[UUID, list[PriceVersion]] = defaultdict(list)
    for version in price_versions().filter(item_id__in=[item.id for item in items]):
        prices[version.item_id].append(version)
    return [PricedItem(item, tuple(prices[item.id])) for item in items]


def priced_items() -> list[Item]:
    """The price list as rating reads it, by code."""
    versions: dict[UUID, list[Version]] = defaultdict(list)
    for row in price_versions():
        versions[row.item_id].append(
            Version(row.id, row.amount, row.currency, row.effective_from, row.effective_to)
        )
    return [
        Item(item.code, item.name, Basis(item.basis), item.fixture, item.event_type, tuple(versions[item.id]))
        for item in price_items()
    ]


def price_list(on: date) -> list[PriceRow]:
    """Every item with its price on a day, by code."""
    rows = []
    for item in priced_items():
        version = item.version_on(on)
        rows.append(
            PriceRow(
                item.code,
                item.name,
                str(item.basis),
                item.fixture,
                item.event_type,
                version.amount if version else None,
                version.currency if version else "",
                version.effective_from if version else None,
                version.effective_to if version else None,
            )
        )
    return rows
