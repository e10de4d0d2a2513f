"""The pages of money: their own line of words, and amounts as typed into forms."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import template
from django.template import Context
from django.urls import NoReverseMatch, reverse

from accounts.permissions import Actor, Permission
from billing.rules import terms_words
from billing.rules.documents import decimal_text
from config.templatetags.words import money, price

register = template.Library()

# Word, address, who may see it, and the addresses below it.
WORDS = (
    ("Overview", "money", Permission.INVOICES_READ, {"money"}),
    ("Month", "month", Permission.INVOICES_READ, {"month", "preview-month", "close-month"}),
    ("Documents", "documents", Permission.INVOICES_READ, {"invoice", "credit", "charge", "send-again"}),
    (
        "Customers",
        "customer-accounts",
        Permission.INVOICES_READ,
        {
            "customer-account",
            "record-payment",
            "settle-payment",
            "billing-profile",
            "add-order",
            "end-order",
            "site-billing",
            "send-statement",
            "add-opening-debt",
        },
    ),
    (
        "Contracts",
        "contracts",
        Permission.INVOICES_READ,
        {
            "contract",
            "new-contract",
            "contract-sites",
            "contract-terms",
            "contract-notice",
            "end-contract-site",
        },
    ),
    (
        "Prices",
        "prices",
        Permission.INVOICES_READ,
        {"price-item", "set-price", "new-price-item", "index-figure"},
    ),
    ("Ahead", "ahead", Permission.INVOICES_READ, {"announce-price"}),
    (
        "Issuer and tax",
        "issuers",
        Permission.INVOICES_READ,
        {"issuer", "new-issuer", "tax-rate", "number-series"},
    ),
    ("Royalty", "royalty", Permission.ROYALTY_READ, {"royalty-statement", "royalty-terms"}),
)


@dataclass(frozen=True, slots=True)
class Word:
    word: str
    address: str
    is_here: bool


@register.inclusion_tag("billing/words.html", takes_context=True)
def money_words(context: Context) -> dict[str, Any]:
    """The second line of navigation, inside Money: only what the role may see."""
    page = context["page"]
    actor: Actor = page["actor"]
    here = context["request"].resolver_match.url_name
    found = []
    for word, name, permission, below in WORDS:
        if not actor.may(permission):
            continue
        try:
            address = reverse(name, args=[page["operator"].slug])
        except NoReverseMatch:
            continue
        found.append(Word(word, address, here == name or here in below))
    return {"words": found if len(found) > 1 else []}


@register.filter
def plain(number: Decimal | None) -> str:
    """A decimal without trailing zeros, as somebody would type it; nothing for none."""
    return "" if number is None else decimal_text(Decimal(number))


@register.filter
def item(values: Any, key: Any) -> Any:
    """A mapping's value; nothing when it has none."""
    return values.get(key, "")


_TAX = {
    "S": "",
    "Z": "zero rate",
    "E": "exempt",
    "AE": "reverse charge",
    "K": "to another member state",
    "G": "export",
    "O": "outside tax",
    "L": "",
    "M": "",
}


@register.filter
def tax(values: Any) -> str:
    """A tax of a line or of a group in words: "19 %", "reverse charge"; nothing for none."""
    if not values:
        return ""
    rate = decimal_text(Decimal(values["rate"])) if values.get("rate") else ""
    word = _TAX.get(values["category"], values["category"])
    return word or f"{rate} %"


@register.filter
def amount(value: Decimal | str, currency: str) -> str:
    """An amount with all minor units and thousands apart, without its currency: for a column that names it."""
    return money(value, currency).removesuffix(f" {currency}")


@register.filter
def price_text(value: Decimal, currency: str) -> str:
    """A price of up to six decimals with its currency."""
    return f"{price(decimal_text(value), currency)} {currency}"


@register.filter
def work(event_type: str) -> str:
    """A kind of work as people say it: "wick change"."""
    return terms_words.work(event_type).capitalize()


@register.filter
def negated(value: Decimal) -> Decimal:
    return -value


@register.filter
def open_end(sentence: str) -> str:
    """A sentence without its full stop, for the inside of another."""
    return sentence.removesuffix(".")
