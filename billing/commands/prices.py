"""Prices: the items of the list, what they cost from a day on, for everybody or under one contract, and index figures."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from django.db import IntegrityError

import accounts.queries
from accounts import tenancy
from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.permissions import Actor, Permission, require
from billing.commands.numbering import day_text, locked_series, refuse_closed_month
from billing.commands.rows import (
    currency_problems,
    cut_by,
    end_problems,
    make_room,
    price_problems,
    refuse_bad_row,
)
from billing.models import Contract, IndexFigure, PriceItem, PriceVersion
from billing.models.parties import TAX_CLASSES
from billing.queries import contracts, parties, prices
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.identity import ACCOUNT, ACCOUNT_MEANING
from billing.rules.index_price import IndexClause, indexed_price
from billing.rules.inputs import Basis
from billing.rules.money import PRICE_DECIMALS

if TYPE_CHECKING:
    from accounts.models import Site

FIXTURES = ("", "urinal", "water_closet")
MOST_CODE, MOST_NAME = 40, 120  # characters
MOST_INDEX_CODE = 30
LARGEST_FIGURE = Decimal(10) ** 8
LEAST_PERCENT, MOST_PERCENT = -100, 1_000
OF_SITES = frozenset({Basis.SITE_MONTH, Basis.VISIT, Basis.CALL_OUT})


@dataclasses.dataclass(frozen=True, slots=True)
class NewPriceItem:
    """An item with its first price on the list. ``currency`` empty: the operator's. ``event_type`` only with the basis event.

    ``amount`` None: it is not on the list, and only contracts give it a price. ``revenue_account`` empty: the usual one.
    """

    code: str
    name: str
    basis: str
    amount: Decimal | None
    effective_from: date | None
    fixture: str = ""
    event_type: str = ""
    currency: str = ""
    tax_class: str = "standard"
    revenue_account: str = ""
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
    begin = [(new.effective_from, index) for index, new in enumerate(items) if new.effective_from is not None]
    if begin:
        earliest, index = min(begin)
        refuse_closed_month(earliest, pointer=f"/{index}/effective_from")
    currency = accounts.queries.get_operator().currency
    made, versions = [], []
    for new in items:
        row = PriceItem(
            code=new.code,
            name=new.name,
            basis=new.basis,
            fixture=new.fixture,
            event_type=new.event_type,
            tax_class=new.tax_class,
            revenue_account=new.revenue_account,
        )
        row.id = new.id or row.id
        made.append(row)
        if new.amount is not None and new.effective_from is not None:
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
    amount: Decimal | None,
    effective_from: date,
    effective_to: date | None = None,
    currency: str = "",
    contract_number: str = "",
    site_code: str = "",
    index: IndexClause | None = None,
    announced_on: date | None = None,
) -> PriceVersion:
    """A new price of an item from a day on; the one before ends there, one set for later stays.

    For the list, or for one contract (``contract_number``), or for one site of it (``site_code`` too). Instead of an amount
    it may have an ``index`` clause: it then waits, without an amount, until both figures are known. ``currency`` empty: that
    of the price before, else of who issues. ``announced_on``: the day of the letter that announced it.

    BadInput for what can't be so; Conflict for a day in a closed month, or one on which another price begins; NotFound
    without the item, the contract or the site in it.
    """
    require(actor, Permission.PRICES_MANAGE)
    wrong = [
        *_amount_problems(amount, index),
        *currency_problems(currency),
        *end_problems(effective_from, effective_to, "/effective_to"),
        *_announcement_problems(announced_on, effective_from),
    ]
    if wrong:
        raise BadInput(wrong[0].detail, errors=wrong)
    with tenancy.writing(actor):
        locked_series()
        item = prices.get_price_item(item_code)
        contract, site = _scope(contract_number, site_code)
        refuse_closed_month(effective_from)
        versions = prices.versions_of(item.id, contract and contract.id, site and site.id)
        before = next((v for v in versions if cut_by(v, effective_from)), None)
        row = PriceVersion(
            id=_version_id(item.id, effective_from, contract and contract.id, site and site.id),
            item=item,
            contract=contract,
            site=site,
            amount=amount,
            currency=currency or _usual_currency(before, contract),
            effective_from=effective_from,
            announced_on=announced_on,
        )
        if index is not None:
            _let_move(row, index, before)
        has = " ".join((item.name, *_for_whom(contract, site), "has a price"))
        row.effective_to = make_room(versions, effective_from, effective_to, has=has)
        row.save(force_insert=True)
        return row


def announce_price(*, actor: Actor, price_id: UUID, announced_on: date) -> PriceVersion:
    """Record the day of the letter that announced a price. BadInput for a day that is not before it begins."""
    require(actor, Permission.PRICES_MANAGE)
    with tenancy.writing(actor):
        row = prices.get_price_version(price_id)
        if wrong := list(_announcement_problems(announced_on, row.effective_from)):
            raise BadInput(wrong[0].detail, errors=wrong)
        row.announced_on = announced_on
        row.save(update_fields=["announced_on"])
        return row


def record_index_figure(*, actor: Actor, code: str, month: date, value: Decimal) -> IndexFigure:
    """A published figure of a price index, for a month named by its first day; prices that waited for it get their amount.

    A figure once entered stays: Conflict for another of the same month. BadInput for what can't be a figure.
    """
    require(actor, Permission.PRICES_MANAGE)
    row = IndexFigure(operator_id=actor.operator_id, code=code, month=month, value=value)
    refuse_bad_row(row, check=lambda one: list(_figure_problems(one)))
    with tenancy.writing(actor):
        locked_series()
        figures = prices.figures_of(code)
        if month in figures:
            raise Conflict(
                f"{code} has the figure {figures[month].normalize():f} for {month:%B %Y} already. A published figure stays."
            )
        row.save(force_insert=True)
        figures[month] = row.value
        for waiting in prices.waiting_for(code):
            if _moved(waiting, figures):
                waiting.save(update_fields=["amount"])
        return row


def _scope(contract_number: str, site_code: str) -> tuple[Contract | None, Site | None]:
    if not contract_number and site_code:
        detail = "A price for one site is a price of its contract. Name the contract too."
        raise BadInput(detail, errors=[Problem("/contract", "missing", detail)])
    if not contract_number:
        return None, None
    contract = contracts.get_contract(contract_number)
    if not site_code:
        return contract, None
    found = contracts.sites_of(contract.id).filter(site__code=site_code).first()
    if found is None:
        detail = (
            f"{contract_number} has no site of the code {site_code}. Let the site join the contract first."
        )
        raise NotFound(detail, errors=[Problem("/site", "not-found", detail)])
    return contract, found.site


def _for_whom(contract: Contract | None, site: Site | None) -> list[str]:
    return ([f"at {site.name}"] if site else []) + ([f"under {contract.number}"] if contract else [])


def _usual_currency(before: PriceVersion | None, contract: Contract | None) -> str:
    if before is not None:
        return before.currency
    if contract is None:
        return accounts.queries.get_operator().currency
    return (contract.legal_entity or parties.default_entity()).currency


def _let_move(row: PriceVersion, index: IndexClause, before: PriceVersion | None) -> None:
    """Put an index clause into a price: what it starts from, and its amount if both figures are known."""
    prior = index.prior_amount
    if prior is None:
        if before is None or before.amount is None:
            why = "waits for an index figure itself" if before else "does not exist"
            detail = f"The price before it {why}. Say what amount the index moves."
            raise BadInput(detail, errors=[Problem("/index/prior_amount", "missing", detail)])
        prior = before.amount
        if before.currency != row.currency:
            detail = f"The price before it is in {before.currency}, so this one is too."
            raise BadInput(detail, errors=[Problem("/currency", "currency", detail)])
    row.prior_amount = prior
    row.index_code, row.index_base_month, row.index_month = index.code, index.base_month, index.month
    row.index_cap_percent, row.index_floor_percent = index.cap_percent, index.floor_percent
    row.index_decimals = index.decimals
    _moved(row, prices.figures_of(index.code))


def _moved(row: PriceVersion, figures: Mapping[date, Decimal]) -> bool:
    """Give an indexed price its amount, if both of its figures are known."""
    base = figures.get(row.index_base_month) if row.index_base_month else None
    figure = figures.get(row.index_month) if row.index_month else None
    if base is None or figure is None or row.prior_amount is None:
        return False
    row.amount = indexed_price(
        row.prior_amount,
        base_figure=base,
        figure=figure,
        cap_percent=row.index_cap_percent,
        floor_percent=row.index_floor_percent,
        decimals=row.index_decimals,
    )
    return True


def _version_id(
    item_id: UUID, effective_from: date, contract_id: UUID | None = None, site_id: UUID | None = None
) -> UUID:
    """Made from what makes a price one of its kind, since the keys of charges and so the documents contain it."""
    return uuid5(
        item_id, "/".join(str(part) for part in (effective_from, contract_id, site_id) if part is not None)
    )


def _item_problems(new: NewPriceItem) -> Iterable[Problem]:
    if not new.code or not new.name:
        yield Problem("/name" if new.code else "/code", "missing", "A price item needs a code and a name.")
    elif not ADDRESS_CODE.match(new.code) or len(new.code) > MOST_CODE:
        yield Problem("/code", "code", f"{ADDRESS_CODE_MEANING} It has at most {MOST_CODE} of them.")
    if len(new.name) > MOST_NAME or "\x00" in new.name:
        yield Problem("/name", "name", f"A name has at most {MOST_NAME} characters that can be printed.")
    yield from _basis_problems(new)
    if new.tax_class not in TAX_CLASSES:
        known = ", ".join(TAX_CLASSES)
        yield Problem("/tax_class", "unknown", f"{new.tax_class} is no tax class. Choose one of {known}.")
    if new.revenue_account and not ACCOUNT.match(new.revenue_account):
        yield Problem("/revenue_account", "account", ACCOUNT_MEANING)
    if (new.amount is None) != (new.effective_from is None):
        missing = "amount" if new.amount is None else "effective_from"
        yield Problem(f"/{missing}", "missing", "Give an amount and the day it holds from, or neither.")
    yield from price_problems(new.amount, "/amount")
    yield from currency_problems(new.currency)


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
    elif new.fixture and new.basis in OF_SITES:
        yield Problem("/fixture", "fixture", f"The basis {new.basis} is of a whole site. Leave it empty.")
    if new.basis == Basis.EVENT and new.event_type not in CHARGEABLE_TYPES:
        known = ", ".join(sorted(CHARGEABLE_TYPES))
        yield Problem(
            "/event_type",
            "event-type",
            f"{new.event_type or 'No event type'} can't be priced. Choose one of {known}.",
        )
    if new.basis != Basis.EVENT and new.event_type:
        yield Problem("/event_type", "event-type", "Only an item with the basis event names an event type.")


def _amount_problems(amount: Decimal | None, index: IndexClause | None) -> Iterable[Problem]:
    if amount is None and index is None:
        yield Problem("/amount", "missing", "Give an amount, or the index that it follows.")
    elif amount is not None and index is not None:
        yield Problem("/amount", "index", "Give an amount or an index that it follows, not both.")
    yield from price_problems(amount, "/amount")
    if index is None:
        return
    if not index.code or len(index.code) > MOST_INDEX_CODE:
        yield Problem("/index/code", "code", f"An index has a code of at most {MOST_INDEX_CODE} characters.")
    for name in ("base_month", "month"):
        if getattr(index, name).day != 1:
            yield Problem(f"/index/{name}", "month", "Name a month by its first day.")
    if index.month <= index.base_month:
        yield Problem(
            "/index/month", "before-base", "The index moves the price from the base month to a later one."
        )
    if not 0 <= index.decimals <= PRICE_DECIMALS:
        yield Problem("/index/decimals", "decimals", f"A price has from 0 to {PRICE_DECIMALS} decimals.")
    yield from price_problems(index.prior_amount, "/index/prior_amount")
    yield from _bound_problems(index.cap_percent, index.floor_percent)


def _bound_problems(cap: Decimal | None, floor: Decimal | None) -> Iterable[Problem]:
    for name, percent in (("cap", cap), ("floor", floor)):
        if percent is not None and not LEAST_PERCENT <= percent <= MOST_PERCENT:
            yield Problem(
                f"/index/{name}_percent",
                "out-of-range",
                f"A {name} lies from {LEAST_PERCENT} to {MOST_PERCENT} percent.",
            )
    if cap is not None and floor is not None and floor > cap:
        yield Problem("/index/floor_percent", "above-cap", "The floor lies above the cap. Exchange the two.")


def _announcement_problems(announced_on: date | None, effective_from: date) -> Iterable[Problem]:
    if announced_on is not None and announced_on >= effective_from:
        yield Problem(
            "/announced_on",
            "too-late",
            f"A price from {day_text(effective_from)} is announced before that day.",
        )


def _figure_problems(row: IndexFigure) -> Iterable[Problem]:
    if not row.code:
        yield Problem("/code", "code", "An index needs a code, such as CPI.")
    if row.month.day != 1:
        yield Problem("/month", "month", "Name a month by its first day.")
    if not 0 < row.value < LARGEST_FIGURE:
        yield Problem("/value", "out-of-range", "A figure of an index lies above 0.")
