"""What a letter says: the frozen document as texts, in the order they are read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import groupby
from typing import Any

from accounts.languages import N_, _, manner, speaking
from billing.rules.documents import manner_of
from billing.rules.letters import amounts
from billing.rules.letters.paying import payment

# Where letters are printed on Letter and not on A4 (Unicode CLDR, territories of the paper size US-Letter).
LETTER_COUNTRIES = frozenset(
    ["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"]
)
_TITLES = {"invoice": N_("Invoice"), "credit_note": N_("Credit note")}
_NUMBERS = {"invoice": N_("Invoice number"), "credit_note": N_("Credit note number")}
# Categories of UNTDID 5305 that bear no rate worth saying, in words.
_UNTAXED = {
    "Z": N_("zero rate"),
    "E": N_("exempt"),
    "AE": N_("reverse charge"),
    "K": N_("supply in the EU"),
    "G": N_("export"),
    "O": N_("no tax"),
}
_TAX_NAMES = {"vat": N_("VAT"), "gst": N_("GST"), "sales_tax": N_("Sales tax")}
_RATE_IN_NAME = re.compile(r"\s*[0-9.,]+\s*%\s*$")
_FOR_DAYS = frozenset({"unit_month", "site_month", "extra_unit", "invoice_minimum"})
_COUNTED = {
    "unit_month": N_("{part} of {of} days"),
    "site_month": N_("{part} of {of} days"),
    "extra_unit": N_("{part} of {of} days"),
    "missed_service": N_("{part} of {of} services"),
    "claw_back": N_("{part} of {of} months"),
}


def letter(document: Mapping[str, Any]) -> dict[str, Any]:
    """Everything the template sets, formatted, in the document's language; it adds only places, lines and page numbers."""
    with speaking(manner_of(document)):
        return _letter(document)


def _letter(document: Mapping[str, Any]) -> dict[str, Any]:
    issuer, customer = document["issuer"], document["customer"]
    home = issuer["country"] or customer["country"]
    title = _(_TITLES[document["document"]])
    return {
        "language": manner().language,
        "words": _template_words(title, document),
        "paper": "us-letter" if home in LETTER_COUNTRIES else "a4",
        "title": title,
        "number": document["number"],
        "issued_on": document["issued_on"],
        "issued": amounts.day(document["issued_on"]),
        "currency": document["currency"],
        "issuer": _issuer(issuer),
        "recipient": [
            customer["name"],
            *amounts.address(
                customer, abroad=bool(issuer["country"]) and customer["country"] != issuer["country"]
            ),
        ],
        "facts": list(_facts(document)),
        "opening": _opening(document),
        "reason": document["reason"],
        "sites": _sites(document),
        "shows_rates": len(document["tax_groups"]) > 1,
        "tax": _tax(document),
        "totals": list(_totals(document)),
        "due": [_due_label(document), amounts.money(document["payable"], document["currency"])],
        "payment": payment(document),
        "notes": list(_notes(document)),
    }


def _template_words(title: str, document: Mapping[str, Any]) -> dict[str, str]:
    """What the template itself says: the heads of columns, and the line at the top of the pages that follow."""
    return {
        "service": _("Service"),
        "when": _("When"),
        "quantity": _("Quantity"),
        "price": _("Price"),
        "tax": _("Tax"),
        "rate": _("Rate"),
        "on": _("On"),
        "code": _("Code that fills in the transfer in a banking app"),
        "running": _(
            "{title} {number} of {day}",
            title=title,
            number=document["number"],
            day=amounts.day(document["issued_on"]),
        ),
        # The template puts the numbers of the pages in.
        "page": _("Page {page} of {pages}"),
    }


def _issuer(issuer: Mapping[str, Any]) -> dict[str, Any]:
    address = amounts.address(issuer, abroad=False)
    numbers = [
        (N_("Tax number {number}"), issuer["vat_id"]),
        (N_("Registered {number}"), issuer["registration"]),
    ]
    return {
        "name": issuer["legal_name"],
        "address": address,
        "contact": [text for text in (issuer["phone"], issuer["email"]) if text],
        "sender": " \u00b7 ".join([issuer["legal_name"], *address]),
        "small_print": [_(sentence, number=text) for sentence, text in numbers if text],
    }


def _facts(document: Mapping[str, Any]) -> Iterator[list[str]]:
    """Label and text of each thing that a clerk looks for."""
    references, customer = document["references"], document["customer"]
    corrects = references["corrects"]
    facts = [
        (_(_NUMBERS[document["document"]]), document["number"]),
        (_("Date"), amounts.day(document["issued_on"])),
        (_("Due"), amounts.day(document["due_on"]) if document["due_on"] else ""),
        (_("For invoice"), corrects["number"] if corrects else ""),
        (_("Invoice date"), amounts.day(corrects["issued_on"]) if corrects else ""),
        (_("Customer number"), customer["code"]),
        (_("Your order"), references["po"]),
        (_("Your reference"), customer["buyer_reference"]),
        (_("Your tax number"), customer["vat_id"]),
        (_("Contract"), references["contract"]),
        (_("Period"), amounts.days(document["period"]) if document["period"] else ""),
    ]
    return ([label, text] for label, text in facts if text)


def _opening(document: Mapping[str, Any]) -> str:
    """The answer in one sentence: what it is for and what is to be done."""
    currency = document["currency"]
    payable = amounts.money(document["payable"], currency)
    corrects = document["references"]["corrects"]
    if document["document"] == "credit_note":
        if corrects is None:
            return _("We give you back {amount}.", amount=payable)
        return _(
            "We give you back {amount} of invoice {number} of {day}.",
            amount=payable,
            number=corrects["number"],
            day=amounts.day(corrects["issued_on"]),
        )
    return _for_work(document).format(
        month=amounts.month(document["month"]) if document["month"] else "",
        amount=payable,
        day=amounts.weekday(document["due_on"]) if document["due_on"] else "",
    )


def _for_work(document: Mapping[str, Any]) -> str:
    """The opening sentence of an invoice, with places for month, amount and day."""
    if Decimal(document["payable"]) <= 0:
        return (
            _("Our work for you in {month}. Nothing is to be paid.")
            if document["month"]
            else _("Our work for you. Nothing is to be paid.")
        )
    if document["due_on"]:
        return (
            _("Our work for you in {month} comes to {amount}, payable by {day}.")
            if document["month"]
            else _("Our work for you comes to {amount}, payable by {day}.")
        )
    return (
        _("Our work for you in {month} comes to {amount}, payable on receipt.")
        if document["month"]
        else _("Our work for you comes to {amount}, payable on receipt.")
    )


def _due_label(document: Mapping[str, Any]) -> str:
    return _("Credited") if document["document"] == "credit_note" else _("To be paid")


def _sites(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The lines by site in the document's order; what belongs to none stands under an empty name."""
    by_site = groupby(document["lines"], key=_site_of)
    return [_site(site, list(lines), document) for site, lines in by_site]


def _site_of(line: Mapping[str, Any]) -> tuple[str, str]:
    return (line["site"]["code"], line["site"]["name"]) if line["site"] else ("", "")


def _site(
    site: tuple[str, str], lines: list[Mapping[str, Any]], document: Mapping[str, Any]
) -> dict[str, Any]:
    code, name = site
    orders = {line["po"] for line in lines}
    order = orders.pop() if len(orders) == 1 else ""
    centres = {line["cost_centre"] for line in lines}
    centre = centres.pop() if len(centres) == 1 else ""
    details = [
        code if code != name else "",
        _("cost centre {centre}", centre=centre) if centre else "",
        _("order {order}", order=order) if order and order != document["references"]["po"] else "",
    ]
    net = sum((Decimal(line["amount"]) for line in lines), Decimal(0))
    return {
        "name": name or code or _("For all sites"),
        "details": " \u00b7 ".join(detail for detail in details if detail),
        "sum": amounts.number(format(net, "f")),
        "lines": [_line(line, document, common_order=order, common_centre=centre) for line in lines],
    }


def _line(
    line: Mapping[str, Any], document: Mapping[str, Any], *, common_order: str, common_centre: str
) -> dict[str, Any]:
    contract, order, centre = line["contract"], line["po"], line["cost_centre"]
    details = [
        line["unit"],
        line["place"],
        _("contract {contract}", contract=contract)
        if contract and contract != document["references"]["contract"]
        else "",
        _("order {order}", order=order)
        if order not in ("", common_order, document["references"]["po"])
        else "",
        _("cost centre {centre}", centre=centre) if centre not in ("", common_centre) else "",
        _credited(line, document),
    ]
    return {
        "line": str(line["line"]),
        "item": amounts.breakable(line["item"]["name"] or line["item"]["code"]),
        "marks": list(_marks(line, document)),
        "details": amounts.breakable(" \u00b7 ".join(detail for detail in details if detail)),
        "when": _when(line),
        "quantity": _quantity(line),
        "price": amounts.price(line["unit_price"], document["minor_units"]),
        "rate": _rate(line["tax"]),
        "amount": amounts.number(line["amount"]),
    }


def _marks(line: Mapping[str, Any], document: Mapping[str, Any]) -> Iterator[str]:
    if line["kind"] == "late":
        yield _("late")
    if line["kind"] == "credit" and document["document"] == "invoice":
        yield _("credit")
    if line["in_advance"]:
        yield _("in advance")


def _credited(line: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """Which line this gives back; on a credit note for one invoice the line's number is enough."""
    credited, corrects = line["credits"], document["references"]["corrects"]
    if not credited:
        return ""
    if corrects and corrects["number"] == credited["number"]:
        return _("line {line} of the invoice", line=credited["line"])
    return _("gives back line {line} of {number}", line=credited["line"], number=credited["number"])


def _when(line: Mapping[str, Any]) -> str:
    """The days of what is charged for days, the day of what was done on one, whatever month it is charged in."""
    if line["rule"] in _FOR_DAYS:
        return amounts.days(line["period"])
    return amounts.day(line["service_on"])


def _quantity(line: Mapping[str, Any]) -> str:
    part, of = amounts.number(str(line["quantity"]["part"])), str(line["quantity"]["of"])
    if of == "1":
        return part
    return _(_COUNTED.get(line["rule"], N_("{part} of {of}")), part=part, of=amounts.number(of))


def _rate(tax: Mapping[str, Any] | None) -> str:
    if tax is None:
        return ""
    return _(_UNTAXED.get(tax["category"], "")) or amounts.percent(tax["rate"])


def _tax_name(group: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """The tax's name without the rate, which stands beside it."""
    return _RATE_IN_NAME.sub("", group["name"]) or _(_TAX_NAMES.get(document["issuer"]["regime"], N_("Tax")))


def _tax(document: Mapping[str, Any]) -> list[dict[str, str]]:
    several = len({group["jurisdiction"] for group in document["tax_groups"]}) > 1
    return [
        {
            "name": f"{_tax_name(group, document)} {group['jurisdiction'] if several else ''}".rstrip(),
            "rate": _rate(group),
            "base": amounts.number(group["base"]),
            "tax": amounts.number(group["tax"]),
        }
        for group in document["tax_groups"]
    ]


def _totals(document: Mapping[str, Any]) -> Iterator[list[str]]:
    yield [_("Net"), amounts.number(document["net"])]
    if document["tax_groups"]:
        names = {_tax_name(group, document) for group in document["tax_groups"]}
        yield [names.pop() if len(names) == 1 else _("Tax"), amounts.number(document["tax"])]
        yield [_("Total"), amounts.number(document["total"])]
    if Decimal(document["cash_rounding"]):
        yield [_("Rounding"), amounts.number(document["cash_rounding"])]


def _notes(document: Mapping[str, Any]) -> Iterator[str]:
    """Why no tax is on something, each reason once, and the document's own note."""
    reasons = dict.fromkeys(group["reason"] for group in document["tax_groups"] if group["reason"])
    yield from reasons
    kinds = {line["kind"] for line in document["lines"]}
    if "late" in kinds:
        yield _(
            "Lines marked late are for work of an earlier month that reached us after its invoice, at the prices of that time."
        )
    if document["note"]:
        yield document["note"]
