"""The forms of prices: an item, its price from a day on, and a figure of an index."""

from __future__ import annotations

from typing import Any

from django import forms

from accounts.languages import N_, _
from billing.pages import fields
from billing.pages.contract_forms import kinds_of_work, sentences
from billing.pages.fields import Choices, GroupedForm
from billing.rules.index_price import IndexClause
from billing.rules.money import PRICE_DECIMALS
from billing.rules.tax_words import CLASSES
from billing.rules.terms_words import BASES
from billing.rules.vocabulary import FIXTURES


class ItemForm(GroupedForm):
    """What is priced, and its first price on the list."""

    groups = (
        (N_("What is priced"), ("code", "name", "basis", "event_type", "fixture")),
        (N_("In the books"), ("tax_class", "revenue_account")),
        (N_("Its first price on the list, net"), ("amount", "effective_from")),
    )

    code = fields.text(N_("Code"), 40, help_text=N_("Short, without spaces."))
    name = fields.text(N_("Name on the invoice"), 120)
    basis = fields.choice(N_("What costs it"), sentences(BASES))
    event_type = fields.choice(N_("The work, if it is a piece of work"), [], required=False)
    fixture = fields.choice(N_("Fixture"), fields.words(FIXTURES.items()), required=False)
    tax_class = fields.choice(N_("Tax class"), fields.words(CLASSES.items()))
    revenue_account = fields.text(
        N_("Account of the revenue"), 20, required=False, help_text=N_("Empty: the usual one.")
    )
    amount = fields.amount(
        N_("Net price"), required=False, help_text=N_("Empty: only contracts give it a price.")
    )
    effective_from = fields.day(N_("In force from"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["event_type"].choices = kinds_of_work()  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("amount") is None and "amount" not in self.errors:
            values["effective_from"] = None
        return values


class PriceForm(GroupedForm):
    """A price from a day on: an amount, or an index that moves the price before."""

    groups = (
        (N_("For whom and from when"), ("contract_number", "site_code", "effective_from", "effective_to")),
        (N_("The price, net"), ("amount", "announced_on")),
        (
            N_("Or an index that it follows"),
            ("index_code", "base_month", "month", "prior_amount", "cap_percent", "floor_percent", "decimals"),
        ),
    )

    effective_from = fields.day(N_("In force from"), help_text=N_("A day of a month that is not closed."))
    effective_to = fields.day(
        N_("First day of another price"), required=False, help_text=N_("Empty: until further notice.")
    )
    contract_number = fields.text(N_("Contract"), 30, required=False, help_text=N_("Empty: the price list."))
    site_code = fields.text(
        N_("Site of the contract"), 20, required=False, help_text=N_("Its code; empty: all its sites.")
    )
    amount = fields.amount(N_("Net price"), required=False)
    announced_on = fields.day(
        N_("Letter of"), required=False, help_text=N_("The day it was announced, if it was.")
    )
    index_code = fields.text(N_("Index"), 30, required=False, help_text=N_("Such as CPI; empty: no index."))
    base_month = fields.month(N_("Month it starts from"), required=False)
    month = fields.month(N_("Month it moves to"), required=False)
    prior_amount = fields.amount(
        N_("Price that it moves"), required=False, help_text=N_("Empty: the one before.")
    )
    cap_percent = fields.percent(N_("At most, in per cent"), required=False, least=-100, decimals=3)
    floor_percent = fields.percent(N_("At least, in per cent"), required=False, least=-100, decimals=3)
    decimals = fields.number(N_("Decimals"), PRICE_DECIMALS, required=False, help_text=N_("Empty: 2."))

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("index_code"):
            for name in ("base_month", "month"):
                if not values.get(name) and name not in self.errors:
                    self.add_error(name, _("An index needs this month."))
        if values.get("site_code") and not values.get("contract_number"):
            self.add_error("contract_number", _("A site has a price of its own under a contract. Name it."))
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
    month = fields.month(N_("Month"))
    value = fields.amount(N_("Figure"), decimals=4)

    def __init__(self, *args: Any, indexes: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = ", ".join(code for code, _name in indexes)
        self.fields["code"] = fields.text(
            N_("Index"), 30, help_text=_("Such as {known}.", known=known or "CPI")
        )
        self.order_fields(["code", "month", "value"])
