"""The price list: items, and their prices from a day on."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from uuid import UUID, uuid5

from django.db import IntegrityError

import accounts.queries
from accounts import tenancy
from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import BadInput, Conflict, Problem
from accounts.permissions import Actor, Permission, require
from billing.commands.numbering import day_text, locked_series, refuse_closed_month
from billing.models import (
    PriceItem,
    PriceVersion,
)
from billing.queries import prices
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.inputs import Basis
from billing.rules.money import PRICE_DECIMALS, UnknownCurrency, minor_units

FIXTURES = ("", "urinal", "water_closet")
MOST_CODE, MOST_NAME = 40, 120  # characters
LARGEST_PRICE = Decimal(10) ** 9


@dataclasses.dataclass(frozen=True, slots=True)
class NewPriceItem:
    """An item with its first price. ``currency`` empty: the operator's. ``event_type`` only with the basis event."""

    code: str
    name: str
    basis: str
    amount: Decimal
    effective_from: date
    fixture: str = ""
    event_type: str = ""
    currency: str = ""
    id: UUID | None = None


def add_price_items(*, actor: Actor, items: Sequence[NewPriceItem]) -> list[PriceItem]:
    """Add items to the price list, each from its first price on; all or none.

    BadInput for what can't be priced so, Conflict for a code or a piece of work that has an item, or a closed month.
    """
    require(actor, Permission.PRICES_MANAGE)
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(items)
        for one in _item_problems(new)
    ]
    if problems:
        raise BadInput(problems[0].detail, errors=problems)
    try:
        with tenancy.writing(actor):
            locked_series()
            return _insert_items(items)
    except IntegrityError as clash:
        raise Conflict(
            "Nothing was added: an item of this code, or one for the same work at the same fixture, exists already."
        ) from clash


def _insert_items(items: Sequence[NewPriceItem]) -> list[PriceItem]:
    currency = accounts.queries.get_operator().currency
    made, versions = [], []
    for new in items:
        refuse_closed_month(new.effective_from)
        row = PriceItem(
            code=new.code, name=new.name, basis=new.basis, fixture=new.fixture, event_type=new.event_type
        )
        row.id = new.id or row.id
        made.append(row)
        versions.append(
            PriceVersion(
                id=_version_id(row.id, new.effective_from),
                item=row,
                amount=new.amount,
                currency=new.currency or currency,
                effective_from=new.effective_from,
            )
        )
    PriceItem.objects.bulk_create(made)
    PriceVersion.objects.bulk_create(versions)
    return made


def set_price(
    *,
    actor: Actor,
    item_code: str,
    amount: Decimal,
    effective_from: date,
    currency: str = "",
) -> PriceVersion:
    """A new price of an item from a day on; the one before ends there, one set for later stays.

    Conflict for a day in a closed month or one from which the item has a price already; NotFound without the item.
    """
    require(actor, Permission.PRICES_MANAGE)
    if wrong := _price_problems(amount, currency):
        raise BadInput(wrong[0].detail, errors=wrong)
    with tenancy.writing(actor):
        locked_series()
        item = prices.get_price_item(item_code)
        refuse_closed_month(effective_from)
        versions = [v for v in prices.price_versions() if v.item_id == item.id]
        if any(v.effective_from == effective_from for v in versions):
            raise Conflict(
                f"{item.name} has a price from {day_text(effective_from)} already. Choose another day."
            )
        until = min((v.effective_from for v in versions if v.effective_from > effective_from), default=None)
        for version in versions:
            if version.effective_from < effective_from and (
                version.effective_to is None or version.effective_to > effective_from
            ):
                version.effective_to = effective_from
                version.save(update_fields=["effective_to"])
        return PriceVersion.objects.create(
            id=_version_id(item.id, effective_from),
            item=item,
            amount=amount,
            currency=currency or accounts.queries.get_operator().currency,
            effective_from=effective_from,
            effective_to=until,
        )


def _version_id(item_id: UUID, effective_from: date) -> UUID:
    """Made from what makes a price one of its kind, since the keys of charges and so the documents contain it."""
    return uuid5(item_id, effective_from.isoformat())


def _item_problems(new: NewPriceItem) -> Iterable[Problem]:
    if not new.code or not new.name:
        yield Problem("/name" if new.code else "/code", "missing", "A price item needs a code and a name.")
    elif not ADDRESS_CODE.match(new.code) or len(new.code) > MOST_CODE:
        yield Problem("/code", "code", f"{ADDRESS_CODE_MEANING} It has at most {MOST_CODE} of them.")
    if len(new.name) > MOST_NAME or "\x00" in new.name:
        yield Problem("/name", "name", f"A name has at most {MOST_NAME} characters that can be printed.")
    yield from _basis_problems(new)
    yield from _price_problems(new.amount, new.currency)


def _basis_problems(new: NewPriceItem) -> Iterable[Problem]:
    if new.basis not in set(Basis):
        known = ", ".join(Basis)
        yield Problem("/basis", "basis", f"{new.basis} is no basis of a price. Choose one of {known}.")
    if new.fixture not in FIXTURES:
        yield Problem(
            "/fixture",
            "fixture",
            f"{new.fixture} is no fixture. Choose urinal or water_closet, or leave it empty for any.",
        )
    if new.basis == Basis.EVENT and new.event_type not in CHARGEABLE_TYPES:
        known = ", ".join(sorted(CHARGEABLE_TYPES))
        yield Problem(
            "/event_type",
            "event-type",
            f"{new.event_type or 'No event type'} can't be priced. Choose one of {known}.",
        )
    if new.basis != Basis.EVENT and new.event_type:
        yield Problem("/event_type", "event-type", "Only an item with the basis event names an event type.")


def _price_problems(amount: Decimal, currency: str) -> list[Problem]:
    problems = []
    if not isinstance(amount, Decimal) or not amount.is_finite() or not 0 <= amount < LARGEST_PRICE:
        problems.append(
            Problem("/amount", "out-of-range", "A price is a decimal from 0 up to a thousand million.")
        )
    elif amount != round(amount, PRICE_DECIMALS):
        problems.append(Problem("/amount", "decimals", f"A price has at most {PRICE_DECIMALS} decimals."))
    if currency:
        try:
            minor_units(currency)
        except UnknownCurrency as unknown:
            problems.append(Problem("/currency", "currency", str(unknown)))
    return problems
