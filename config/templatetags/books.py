"""The pages of money: their own line of words, and amounts as typed into forms."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Any

from babel.lists import format_list
from babel.numbers import get_decimal_symbol
from django import template
from django.template import Context
from django.urls import reverse

from accounts.languages import N_, _, cldr, manner
from accounts.permissions import Actor, Permission
from billing.rules import terms_words
from billing.rules.documents import decimal_text
from billing.rules.letters import amounts
from billing.rules.vocabulary import BASES, DOCUMENTS, SERIES, line_word, method_word
from config.templatetags.words import day_before, day_year, money, price

register = template.Library()

# Word, address, who may see it, and the addresses below it.
WORDS = (
    (N_("Overview"), "money", Permission.INVOICES_READ, {"money"}),
    (N_("Month"), "month", Permission.INVOICES_READ, {"month", "preview-month", "close-month"}),
    (
        N_("Documents"),
        "documents",
        Permission.INVOICES_READ,
        {"invoice", "credit", "charge", "send-again", "refund-credit"},
    ),
    (
        N_("Customers"),
        "customer-accounts",
        Permission.INVOICES_READ,
        {
            "customer-account",
            "record-payment",
            "settle-payment",
            "payment",
            "refund-payment",
            "return-payment",
            "release-allocation",
            "billing-profile",
            "add-order",
            "end-order",
            "site-billing",
            "send-statement",
            "add-opening-debt",
        },
    ),
    (N_("Bank"), "bank", Permission.PAYMENTS_READ, {"bank-preview", "bank-statement", "bank-entry"}),
    (
        N_("Contracts"),
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
        N_("Prices"),
        "prices",
        Permission.INVOICES_READ,
        {"price-item", "set-price", "new-price-item", "index-figure"},
    ),
    (N_("Ahead"), "ahead", Permission.INVOICES_READ, {"announce-price"}),
    (
        N_("Issuer and tax"),
        "issuers",
        Permission.INVOICES_READ,
        {"issuer", "new-issuer", "tax-rate", "number-series"},
    ),
    (N_("Royalty"), "royalty", Permission.ROYALTY_READ, {"royalty-statement", "royalty-terms"}),
    (
        N_("Webhooks"),
        "webhooks",
        Permission.INTEGRATIONS_MANAGE,
        {"webhook", "new-webhook", "webhook-delivery"},
    ),
)


@dataclass(frozen=True, slots=True)
class Word:
    word: str
    address: str
    is_here: bool


def words_seen(context: Context, words: Iterable[tuple[str, str, Permission, set[str]]]) -> list[Word]:
    """Those of a line of words that the role may see; a line of one word is none."""
    page = context["page"]
    actor: Actor = page["actor"]
    here = context["request"].resolver_match.url_name
    found = [
        Word(_(word), reverse(name, args=[page["operator"].slug]), here == name or here in below)
        for word, name, permission, below in words
        if actor.may(permission)
    ]
    return found if len(found) > 1 else []


@register.inclusion_tag("billing/words.html", takes_context=True)
def money_words(context: Context) -> dict[str, Any]:
    """The second line of navigation, inside Money: only what the role may see."""
    return {"words": words_seen(context, WORDS)}


@register.filter
def plain(number: Decimal | None) -> str:
    """A decimal without trailing zeros, with the locale's sign; nothing for none."""
    return "" if number is None else _figure(decimal_text(Decimal(number)))


def _figure(digits: str) -> str:
    return digits.replace(".", get_decimal_symbol(cldr(manner().locale)))


@register.filter
def item(values: Any, key: Any) -> Any:
    """A mapping's value; nothing when it has none."""
    return values.get(key, "")


_TAX = {
    "S": "",
    "Z": N_("zero rate"),
    "E": N_("exempt"),
    "AE": N_("reverse charge"),
    "K": N_("to another member state"),
    "G": N_("export"),
    "O": N_("outside tax"),
    "L": "",
    "M": "",
}


@register.filter
def tax(values: Any) -> str:
    """A tax of a line or of a group in words: "19 %", "reverse charge"; nothing for none."""
    if not values:
        return ""
    rate = _figure(decimal_text(Decimal(values["rate"]))) if values.get("rate") else ""
    word = _TAX.get(values["category"], values["category"])
    return _(word) or f"{rate} %"


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
    said = terms_words.work(event_type)
    return said[:1].upper() + said[1:]


@register.filter
def negated(value: Decimal) -> Decimal:
    return -value


@register.filter
def open_end(sentence: str) -> str:
    """A sentence without its full stop, for the inside of another."""
    return sentence.removesuffix(".")


@register.filter
def listed(amounts: Any) -> str:
    """Amounts with their currencies, as a list in a sentence: "1.00 EUR and 2.00 USD"."""
    return format_list([money(value, currency) for value, currency in amounts], locale=cldr(manner().locale))


@register.filter
def line_kind(kind: str) -> str:
    """The kind of a document's line: "late"."""
    return line_word(kind)


@register.filter
def method(code: str) -> str:
    """How a payment came."""
    return method_word(code)


@register.filter
def series_kind(kind: str) -> str:
    """What a series numbers: "invoices"."""
    return _(SERIES[kind])


@register.filter
def document_kind(kind: str) -> str:
    """A kind of document: "credit note"."""
    return _(DOCUMENTS[kind])


@register.filter
def basis(code: str) -> str:
    """What a royalty is a part of: "billed", "collected"."""
    return _(BASES.get(code, code))


@register.filter
def from_to(start: date | str, end: date | str | None) -> str:
    """The days from ``start`` until before ``end``: "from 1 Jun 2026 to 30 Jun 2026", or "from 1 Jun 2026"."""
    if not end:
        return _("from {day}", day=day_year(start))
    return _("from {day} to {last}", day=day_year(start), last=day_year(day_before(end)))


@register.filter
def from_on(start: date | str, end: date | str | None) -> str:
    """The same, with "from 1 Jun 2026 on" for days without an end."""
    return from_to(start, end) if end else _("from {day} on", day=day_year(start))


@register.filter
def to_or_on(start: date | str, end: date | str | None) -> str:
    """The same without its first word: "1 Jun 2026 to 30 Jun 2026", or "1 Jun 2026 on"."""
    if not end:
        return _("{day} on", day=day_year(start))
    return _("{day} to {last}", day=day_year(start), last=day_year(day_before(end)))


@register.filter
def tier_words(tier: Any, currency: str) -> str:
    """From where to where a tier goes: "from 0.00 to 1,000.00", "above 1,000.00"."""
    get: Callable[[str], Any] = tier.get if isinstance(tier, dict) else partial(getattr, tier)
    above = amount(get("above"), currency)
    if get("upto"):
        return _("from {above} to {upto}", above=above, upto=amount(get("upto"), currency))
    return _("above {above}", above=above)


@register.filter
def listed_by_code(sums: Any) -> str:
    """The same of pairs that name the currency first."""
    return listed((value, currency) for currency, value in sums)


@register.filter
def account_number(text: str) -> str:
    """An account number in groups of four, as an IBAN is printed; one that is no IBAN as it is."""
    return amounts.account(text) if text[:2].isalpha() and text[2:4].isdecimal() else text
