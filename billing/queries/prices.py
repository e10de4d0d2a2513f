"""Reads of the price list, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from uuid import UUID

from django.db.models import F, Q, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import IndexFigure, PriceItem, PriceVersion
from billing.rules.inputs import Basis, Item, Version

_VERSION = ("id", "amount", "currency", "effective_from", "effective_to", "contract_id", "site_id")


@dataclass(frozen=True, slots=True)
class PricedItem:
    """An item with its prices on the list, the earliest first."""

    item: PriceItem
    prices: tuple[PriceVersion, ...]


@dataclass(frozen=True, slots=True)
class PriceChange:
    """A price to come, and the one of the same item for the same contract or site that it follows; None for none."""

    price: PriceVersion
    before: PriceVersion | None


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
        raise NotFound(_("There is no price item here with this code."))
    return item


def price_versions() -> QuerySet[PriceVersion]:
    """Every price, an item's in the order of its days; each with its item, and the contract and site it is for."""
    rows = PriceVersion.objects.select_related("item", "contract", "site")
    return rows.order_by("item__code", "effective_from", "id")


def get_price_version(price_id: UUID) -> PriceVersion:
    version = price_versions().filter(id=price_id).first()
    if version is None:
        raise NotFound(_("There is no price here with this id."))
    return version


def versions_of(item_id: UUID, contract_id: UUID | None, site_id: UUID | None) -> list[PriceVersion]:
    """The prices of an item for one contract, one site of it, or the list (neither), the earliest first."""
    rows = PriceVersion.objects.filter(item_id=item_id, contract_id=contract_id, site_id=site_id)
    return list(rows.order_by("effective_from"))


def waiting_for(index_code: str) -> QuerySet[PriceVersion]:
    """The prices that wait for a figure of an index."""
    return PriceVersion.objects.filter(amount=None, index_code=index_code).order_by("effective_from", "id")


def index_figures() -> QuerySet[IndexFigure]:
    """What was entered of every index, by code and month."""
    return IndexFigure.objects.order_by("code", "month")


def figures_of(index_code: str) -> dict[date, Decimal]:
    """The figures of an index by the first day of their month."""
    return dict(index_figures().filter(code=index_code).values_list("month", "value"))


def with_prices(items: Sequence[PriceItem]) -> list[PricedItem]:
    """Items beside their prices on the list, in the order given."""
    prices: dict[UUID, list[PriceVersion]] = defaultdict(list)
    rows = PriceVersion.objects.filter(contract=None, item_id__in=[item.id for item in items])
    for version in rows.order_by("effective_from"):
        prices[version.item_id].append(version)
    return [PricedItem(item, tuple(prices[item.id])) for item in items]


def prices_of_contract(contract_id: UUID) -> QuerySet[PriceVersion]:
    """The prices that a contract has of its own, by item, site and day."""
    rows = price_versions().filter(contract_id=contract_id)
    return rows.order_by("item__code", F("site__code").asc(nulls_first=True), "effective_from")


def priced_items(contract_ids: Collection[UUID] | None = None) -> list[Item]:
    """The items as rating reads them, by code, with the list's prices and those of these contracts or (None) of all.

    Two statements, whatever the number of prices.
    """
    rows = PriceVersion.objects.all()
    if contract_ids is not None:
        rows = rows.filter(Q(contract=None) | Q(contract_id__in=contract_ids))
    versions: dict[UUID, list[Version]] = defaultdict(list)
    for item_id, *values in (
        rows.order_by("effective_from", "id").values_list("item_id", *_VERSION).iterator()
    ):
        versions[item_id].append(Version(*values))
    return [
        Item(
            code=item.code,
            name=item.name,
            basis=Basis(item.basis),
            fixture=item.fixture,
            event_type=item.event_type,
            versions=tuple(versions[item.id]),
            tax_class=item.tax_class,
            revenue_account=item.revenue_account,
        )
        for item in price_items()
    ]


def price_changes_ahead(today: date, within_days: int) -> list[PriceChange]:
    """The prices that begin after today within so many days, the soonest first, each beside the one it follows."""
    until = today + timedelta(days=within_days)
    rows = price_versions().filter(effective_from__gt=today, effective_from__lte=until)
    ahead = list(rows.order_by("effective_from", "item__code", "id"))
    before = {
        (row.item_id, row.contract_id, row.site_id, row.effective_to): row
        for row in PriceVersion.objects.filter(
            item_id__in={row.item_id for row in ahead}, effective_to__in={row.effective_from for row in ahead}
        )
    }
    return [
        PriceChange(row, before.get((row.item_id, row.contract_id, row.site_id, row.effective_from)))
        for row in ahead
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
