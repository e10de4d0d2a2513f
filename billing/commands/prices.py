"""Prices: the items of the list, what they cost from a day on, for everybody or under one contract, and index figures."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from django.db import IntegrityError

import accounts.queries
from accounts import phrases, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.account_numbers import refuse_taken_for_revenue
from billing.commands.numbering import locked_series, refuse_closed_month
from billing.commands.price_problems import (
    amount_problems,
    announcement_problems,
    figure_problems,
    item_problems,
)
from billing.commands.rows import (
    currency_problems,
    cut_by,
    end_problems,
    make_room,
    refuse_bad_row,
)
from billing.models import Contract, IndexFigure, PriceItem, PriceVersion
from billing.queries import contracts, parties, prices
from billing.rules.index_price import IndexClause, indexed_price

if TYPE_CHECKING:
    from accounts.models import Site


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
        for one in item_problems(new)
    ]
    if problems:
        raise BadInput(problems[0].detail, errors=problems)
    try:
        with tenancy.writing(actor):
            locked_series()
            return _insert_items(items)
    except IntegrityError as clash:
        raise Conflict(
            _(
                "Nothing was added: an item of this code, or one for the same work at the same fixture, exists already."
            )
        ) from clash


def _insert_items(items: Sequence[NewPriceItem]) -> list[PriceItem]:
    refuse_taken_for_revenue([new.revenue_account for new in items])
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
        *amount_problems(amount, index),
        *currency_problems(currency),
        *end_problems(effective_from, effective_to, "/effective_to"),
        *announcement_problems(announced_on, effective_from),
    ]
    if wrong:
        raise BadInput(wrong[0].detail, errors=wrong)
    with tenancy.writing(actor):
        locked_series()
        item = prices.get_price_item(item_code)
        scope = _scope(contract_number, site_code)
        refuse_closed_month(effective_from)
        versions = prices.versions_of(item.id, scope.contract_id, scope.site_id)
        before = next((v for v in versions if cut_by(v, effective_from)), None)
        row = PriceVersion(
            id=_version_id(item.id, effective_from, scope.contract_id, scope.site_id),
            item=item,
            contract=scope.contract,
            site=scope.site,
            amount=amount,
            currency=currency or _usual_currency(before, scope.contract),
            effective_from=effective_from,
            announced_on=announced_on,
        )
        if index is not None:
            _let_move(row, index, before)
        row.effective_to = make_room(
            versions,
            effective_from,
            effective_to,
            has=scope.has_a_price(item.name),
        )
        row.save(force_insert=True)
        return row


def announce_price(*, actor: Actor, price_id: UUID, announced_on: date) -> PriceVersion:
    """Record the day of the letter that announced a price. BadInput for a day that is not before it begins."""
    require(actor, Permission.PRICES_MANAGE)
    with tenancy.writing(actor):
        row = prices.get_price_version(price_id)
        if wrong := list(announcement_problems(announced_on, row.effective_from)):
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
    refuse_bad_row(row, check=lambda one: list(figure_problems(one)))
    with tenancy.writing(actor):
        locked_series()
        figures = prices.figures_of(code)
        if month in figures:
            raise Conflict(
                _(
                    "{code} has the figure {figure} for {month} already. A published figure stays.",
                    code=code,
                    figure=phrases.amount(format(figures[month].normalize(), "f")),
                    month=phrases.month(month),
                )
            )
        row.save(force_insert=True)
        figures[month] = row.value
        for waiting in prices.waiting_for(code):
            if _moved(waiting, figures):
                waiting.save(update_fields=["amount"])
        return row


@dataclasses.dataclass(frozen=True, slots=True)
class _Scope:
    """Whom a price is for: one contract, one site of it, or (neither) everybody."""

    contract: Contract | None = None
    site: Site | None = None

    @property
    def contract_id(self) -> UUID | None:
        return self.contract.id if self.contract else None

    @property
    def site_id(self) -> UUID | None:
        return self.site.id if self.site else None

    def has_a_price(self, item: str) -> str:
        """Half a sentence, such as "A clean wick at Bahnhof under C-1 has a price"."""
        if self.contract is None:
            return _("{item} has a price", item=item)
        if self.site is None:
            return _("{item} under {number} has a price", item=item, number=self.contract.number)
        return _(
            "{item} at {site} under {number} has a price",
            item=item,
            site=self.site.name,
            number=self.contract.number,
        )


def _scope(contract_number: str, site_code: str) -> _Scope:
    if not contract_number and site_code:
        detail = _("A price for one site is a price of its contract. Name the contract too.")
        raise BadInput(detail, errors=[Problem("/contract", "missing", detail)])
    if not contract_number:
        return _Scope()
    contract = contracts.get_contract(contract_number)
    if not site_code:
        return _Scope(contract)
    found = contracts.sites_of(contract.id).filter(site__code=site_code).first()
    if found is None:
        detail = _(
            "{contract_number} has no site of the code {site_code}. Let the site join the contract first.",
            contract_number=contract_number,
            site_code=site_code,
        )
        raise NotFound(detail, errors=[Problem("/site", "not-found", detail)])
    return _Scope(contract, found.site)


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
            detail = (
                _("The price before it waits for an index figure itself. Say what amount the index moves.")
                if before
                else _("The price before it does not exist. Say what amount the index moves.")
            )
            raise BadInput(detail, errors=[Problem("/index/prior_amount", "missing", detail)])
        prior = before.amount
        if before.currency != row.currency:
            detail = _("The price before it is in {currency}, so this one is too.", currency=before.currency)
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
