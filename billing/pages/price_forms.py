"""The forms of prices: an item, its price from a day on, and a figure of an index."""

from __future__ import annotations

from typing import Any

from django import forms

from billing.models import PriceItem
from billing.pages import fields
from billing.pages.fields import Choices, GroupedForm
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.index_price import IndexClause
from billing.rules.money import PRICE_DECIMALS
from billing.rules.tax_words import CLASSES
from billing.rules.terms_words import BASES, work


class ItemForm(GroupedForm):
    """What is priced, and its first price on the list."""

    groups = (
        ("What is priced", ("code", "name", "basis", "event_type", "fixture")),
        ("In the books", ("tax_class", "revenue_account")),
        ("Its first price on the list, net", ("amount", "effective_from")),
    )

    code = fields.text("Code", 40, help_text="Short, without spaces.")
    name = fields.text("Name on the invoice", 120)
    basis = fields.choice("What costs it", [(basis, words.capitalize()) for basis, words in BASES.items()])
    event_type = fields.choice(
        "The work, if it is a piece of work",
        [
            ("", "None"),
            *sorted(((one, work(one).capitalize()) for one in CHARGEABLE_TYPES), key=lambda o: o[1]),
        ],
        required=False,
    )
    fixture = fields.choice("At", [(one, word) for one, word in PriceItem.FIXTURES], required=False)
    tax_class = fields.choice("Tax class", list(CLASSES.items()))
    revenue_account = fields.text(
        "Account of the revenue", 20, required=False, help_text="Empty: the usual one."
    )
    amount = fields.amount("Net price", required=False, help_text="Empty: only contracts give it a price.")
    effective_from = fields.day("In force from", required=False)

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("amount") is None and "amount" not in self.errors:
            values["effective_from"] = None
        return values


class PriceForm(GroupedForm):
    """A price from a day on: an amount, or an index that moves the price before."""

    groups = (
        ("For whom and from when", ("contract_number", "site_code", "effective_from", "effective_to")),
        ("The price, net", ("amount", "announced_on")),
        (
            "Or an index that it follows",
            ("index_code", "base_month", "month", "prior_amount", "cap_percent", "floor_percent", "decimals"),
        ),
    )

    effective_from = fields.day("In force from", help_text="A day of a month that is not closed.")
    effective_to = fields.day(
        "First day of another price", required=False, help_text="Empty: until further notice."
    )
    contract_number = fields.text("Contract", 30, required=False, help_text="Empty: the price list.")
    site_code = fields.text(
        "Site of the contract", 20, required=False, help_text="Its code; empty: all its sites."
    )
    amount = fields.amount("Net price", required=False)
    announced_on = fields.day("Letter of", required=False, help_text="The day it was announced, if it was.")
    index_code = fields.text("Index", 30, required=False, help_text="Such as CPI; empty: no index.")
    base_month = fields.month("Month it starts from", required=False)
    month = fields.month("Month it moves to", required=False)
    prior_amount = fields.amount("Price that it moves", required=False, help_text="Empty: the one before.")
    cap_percent = fields.percent("At most, in per cent", required=False, least=-100, decimals=3)
    floor_percent = fields.percent("At least, in per cent", required=False, least=-100, decimals=3)
    decimals = fields.number("Decimals", PRICE_DECIMALS, required=False, help_text="Empty: 2.")

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("index_code"):
            for name in ("base_month", "month"):
                if not values.get(name) and name not in self.errors:
                    self.add_error(name, "An index needs this month.")
        if values.get("site_code") and not values.get("contract_number"):
            self.add_error("contract_number", "A site has a price of its own under a contract. Name it.")
        return values

    @property
    def values(self) -> dict[str, Any]:
        """As the command takes them."""
        said = self.cleaned_data
        names = ("effective_from", "effective_to", "contract_number", "site_code", "amount", "announced_on")
        return {name: said[name] for name in names} | {"index": self._clause()}

    def _clause(self) -> IndexClause | None:
        said = self.cleaned_data
        if not said["index_code"]:
            return None
        return IndexClause(
            code=said["index_code"],
            base_month=said["base_month"].replace(day=1),
            month=said["month"].replace(day=1),
            prior_amount=said["prior_amount"],
            cap_percent=said["cap_percent"],
            floor_percent=said["floor_percent"],
            decimals=2 if said["decimals"] is None else said["decimals"],
        )


class FigureForm(forms.Form):
    month = fields.month("Month")
    value = fields.amount("Figure", decimals=4)

    def __init__(self, *args: Any, indexes: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = ", ".join(code for code, _ in indexes)
        self.fields["code"] = fields.text("Index", 30, help_text=f"Such as {known or 'CPI'}.")
        self.order_fields(["code", "month", "value"])
