"""What is wrong with a price item, a price, a clause of an index or a figure that somebody enters."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from accounts.commands.masterdata import ADDRESS_CODE, ADDRESS_CODE_MEANING
from accounts.errors import Problem
from accounts.languages import N_, _
from billing.commands.rows import currency_problems, price_problems
from billing.models import IndexFigure
from billing.models.parties import TAX_CLASSES
from billing.rules.dating import day_text
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
_BOUNDS = {
    "cap": N_("A cap lies from {least_percent} to {most_percent} percent."),
    "floor": N_("A floor lies from {least_percent} to {most_percent} percent."),
}
OF_SITES = frozenset({Basis.SITE_MONTH, Basis.VISIT, Basis.CALL_OUT})


def item_problems(new: NewPriceItem) -> Iterable[Problem]:
    if not new.code or not new.name:
        yield Problem("/name" if new.code else "/code", "missing", _("A price item needs a code and a name."))
    elif not ADDRESS_CODE.match(new.code) or len(new.code) > MOST_CODE:
        yield Problem(
            "/code",
            "code",
            _(
                "{address_code_meaning} It has at most {most_code} of them.",
                address_code_meaning=_(ADDRESS_CODE_MEANING),
                most_code=MOST_CODE,
            ),
        )
    if len(new.name) > MOST_NAME or "\x00" in new.name:
        yield Problem(
            "/name",
            "name",
            _("A name has at most {most_name} characters that can be printed.", most_name=MOST_NAME),
        )
    yield from _basis_problems(new)
    if new.tax_class not in TAX_CLASSES:
        known = ", ".join(TAX_CLASSES)
        yield Problem(
            "/tax_class",
            "unknown",
            _("{tax_class} is no tax class. Choose one of {known}.", tax_class=new.tax_class, known=known),
        )
    if new.revenue_account and not ACCOUNT.match(new.revenue_account):
        yield Problem("/revenue_account", "account", _(ACCOUNT_MEANING))
    if (new.amount is None) != (new.effective_from is None):
        missing = "amount" if new.amount is None else "effective_from"
        yield Problem(f"/{missing}", "missing", _("Give an amount and the day it holds from, or neither."))
    yield from price_problems(new.amount, "/amount")
    yield from currency_problems(new.currency)


def _basis_problems(new: NewPriceItem) -> Iterable[Problem]:
    if new.basis not in set(Basis):
        known = ", ".join(Basis)
        yield Problem(
            "/basis",
            "basis",
            _("{basis} is no basis of a price. Choose one of {known}.", basis=new.basis, known=known),
        )
    if new.fixture not in FIXTURES:
        yield Problem(
            "/fixture",
            "fixture",
            _(
                "{fixture} is no fixture. Choose urinal or water_closet, or leave it empty for any.",
                fixture=new.fixture,
            ),
        )
    elif new.fixture and new.basis in OF_SITES:
        yield Problem(
            "/fixture", "fixture", _("The basis {basis} is of a whole site. Leave it empty.", basis=new.basis)
        )
    if new.basis == Basis.EVENT and new.event_type not in CHARGEABLE_TYPES:
        known = ", ".join(sorted(CHARGEABLE_TYPES))
        yield Problem(
            "/event_type",
            "event-type",
            _(
                "{event_type} can't be priced. Choose one of {known}.",
                event_type=new.event_type or _("No event type"),
                known=known,
            ),
        )
    if new.basis != Basis.EVENT and new.event_type:
        yield Problem(
            "/event_type", "event-type", _("Only an item with the basis event names an event type.")
        )


def amount_problems(amount: Decimal | None, index: IndexClause | None) -> Iterable[Problem]:
    if amount is None and index is None:
        yield Problem("/amount", "missing", _("Give an amount, or the index that it follows."))
    elif amount is not None and index is not None:
        yield Problem("/amount", "index", _("Give an amount or an index that it follows, not both."))
    yield from price_problems(amount, "/amount")
    if index is None:
        return
    if not index.code or len(index.code) > MOST_INDEX_CODE:
        yield Problem(
            "/index/code",
            "code",
            _(
                "An index has a code of at most {most_index_code} characters.",
                most_index_code=MOST_INDEX_CODE,
            ),
        )
    for name in ("base_month", "month"):
        if getattr(index, name).day != 1:
            yield Problem(f"/index/{name}", "month", _("Name a month by its first day."))
    if index.month <= index.base_month:
        yield Problem(
            "/index/month", "before-base", _("The index moves the price from the base month to a later one.")
        )
    if not 0 <= index.decimals <= PRICE_DECIMALS:
        yield Problem(
            "/index/decimals",
            "decimals",
            _("A price has from 0 to {price_decimals} decimals.", price_decimals=PRICE_DECIMALS),
        )
    yield from price_problems(index.prior_amount, "/index/prior_amount")
    yield from _bound_problems(index.cap_percent, index.floor_percent)


def _bound_problems(cap: Decimal | None, floor: Decimal | None) -> Iterable[Problem]:
    for name, percent in (("cap", cap), ("floor", floor)):
        if percent is not None and not LEAST_PERCENT <= percent <= MOST_PERCENT:
            yield Problem(
                f"/index/{name}_percent",
                "out-of-range",
                _(
                    _BOUNDS[name],
                    least_percent=LEAST_PERCENT,
                    most_percent=MOST_PERCENT,
                ),
            )
    if cap is not None and floor is not None and floor > cap:
        yield Problem(
            "/index/floor_percent", "above-cap", _("The floor lies above the cap. Exchange the two.")
        )


def announcement_problems(announced_on: date | None, effective_from: date) -> Iterable[Problem]:
    if announced_on is not None and announced_on >= effective_from:
        yield Problem(
            "/announced_on",
            "too-late",
            _(
                "A price from {effective_from} is announced before that day.",
                effective_from=day_text(effective_from),
            ),
        )


def figure_problems(row: IndexFigure) -> Iterable[Problem]:
    if not row.code:
        yield Problem("/code", "code", _("An index needs a code, such as CPI."))
    if row.month.day != 1:
        yield Problem("/month", "month", _("Name a month by its first day."))
    if not 0 < row.value < LARGEST_FIGURE:
        yield Problem("/value", "out-of-range", _("A figure of an index lies above 0."))
