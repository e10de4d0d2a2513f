"""What is wrong with a price item, a price, a clause of an index or a figure that somebody enters."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import Problem
from billing.commands.numbering import day_text
from billing.commands.rows import currency_problems, price_problems
from billing.models import IndexFigure
from billing.models.parties import TAX_CLASSES
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.identity import ACCOUNT, ACCOUNT_MEANING
from billing.rules.index_price import IndexClause
from billing.rules.inputs import Basis
from billing.rules.money import PRICE_DECIMALS

if TYPE_CHECKING:
    from billing.commands.prices import NewPriceItem

FIXTURES = ("", "urinal", "water_closet")
MOST_CODE, MOST_NAME = 40, 120  # characters
MOST_INDEX_CODE = 30
LARGEST_FIGURE = Decimal(10) ** 8
LEAST_PERCENT, MOST_PERCENT = -100, 1_000
OF_SITES = frozenset({Basis.SITE_MONTH, Basis.VISIT, Basis.CALL_OUT})


def item_problems(new: NewPriceItem) -> Iterable[Problem]:
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


def amount_problems(amount: Decimal | None, index: IndexClause | None) -> Iterable[Problem]:
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


def announcement_problems(announced_on: date | None, effective_from: date) -> Iterable[Problem]:
    if announced_on is not None and announced_on >= effective_from:
        yield Problem(
            "/announced_on",
            "too-late",
            f"A price from {day_text(effective_from)} is announced before that day.",
        )


def figure_problems(row: IndexFigure) -> Iterable[Problem]:
    if not row.code:
        yield Problem("/code", "code", "An index needs a code, such as CPI.")
    if row.month.day != 1:
        yield Problem("/month", "month", "Name a month by its first day.")
    if not 0 < row.value < LARGEST_FIGURE:
        yield Problem("/value", "out-of-range", "A figure of an index lies above 0.")
