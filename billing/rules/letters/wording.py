"""What a letter says: the frozen document as texts, in the order they are read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import groupby
from typing import Any

from billing.rules.letters import amounts
from billing.rules.letters.paying import payment

# Where letters are printed on Letter and not on A4 (Unicode CLDR, territories of the paper size US-Letter).
LETTER_COUNTRIES = frozenset(
    ["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"]
)
_TITLES = {"invoice": "Invoice", "credit_note": "Credit note"}
# Categories of UNTDID 5305 that bear no rate worth saying, in words.
_UNTAXED = {
    "Z": "zero rate",
    "E": "exempt",
    "AE": "reverse charge",
    "K": "supply in the EU",
    "G": "export",
    "O": "no tax",
}
_TAX_NAMES = {"vat": "VAT", "gst": "GST", "sales_tax": "Sales tax"}
_RATE_IN_NAME = re.compile(r"\s*[0-9.,]+\s*%\s*$")
_FOR_DAYS = frozenset({"unit_month", "site_month", "extra_unit", "invoice_minimum"})
_COUNTED = {
    "unit_month": "days",
    "site_month": "days",
    "extra_unit": "days",
    "missed_service": "services",
    "claw_back": "months",
}


def letter(document: Mapping[str, Any]) -> dict[str, Any]:
    """Everything the template sets, formatted; it adds only places, lines and page numbers."""
    issuer, customer = document["issuer"], document["customer"]
    home = issuer["country"] or customer["country"]
    title = _TITLES[document["document"]]
    return {
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


def _issuer(issuer: Mapping[str, Any]) -> dict[str, Any]:
    address = amounts.address(issuer, abroad=False)
    numbers = [("Tax number", issuer["vat_id"]), ("Registered", issuer["registration"])]
    return {
        "name": issuer["legal_name"],
        "address": address,
        "contact": [text for text in (issuer["phone"], issuer["email"]) if text],
        "sender": " \u00b7 ".join([issuer["legal_name"], *address]),
        "small_print": [f"{label} {text}" for label, text in numbers if text],
    }


def _facts(document: Mapping[str, Any]) -> Iterator[list[str]]:
    """Label and text of each thing that a clerk looks for."""
    references, customer = document["references"], document["customer"]
    corrects = references["corrects"]
    facts = [
        (f"{_TITLES[document['document']]} number", document["number"]),
        ("Date", amounts.day(document["issued_on"])),
        ("Due", amounts.day(document["due_on"]) if document["due_on"] else ""),
        ("For invoice", corrects["number"] if corrects else ""),
        ("Invoice date", amounts.day(corrects["issued_on"]) if corrects else ""),
        ("Customer number", customer["code"]),
        ("Your order", references["po"]),
        ("Your reference", customer["buyer_reference"]),
        ("Your tax number", customer["vat_id"]),
        ("Contract", references["contract"]),
        ("Period", amounts.days(document["period"]) if document["period"] else ""),
    ]
    return ([label, text] for label, text in facts if text)


def _opening(document: Mapping[str, Any]) -> str:
    """The answer in one sentence: what it is for and what is to be done."""
    currency = document["currency"]
    payable = amounts.money(document["payable"], currency)
    for_month = f" in {amounts.month(document['month'])}" if document["month"] else ""
    corrects = document["references"]["corrects"]
    if document["document"] == "credit_note":
        of = f" of invoice {corrects['number']} of {amounts.day(corrects['issued_on'])}" if corrects else ""
        return f"We give you back {payable}{of}."
    if Decimal(document["payable"]) <= 0:
        return f"Our work for you{for_month}. Nothing is to be paid."
    by = f" by {amounts.weekday(document['due_on'])}" if document["due_on"] else " on receipt"
    return f"Our work for you{for_month} comes to {payable}, payable{by}."


def _due_label(document: Mapping[str, Any]) -> str:
    return "Credited" if document["document"] == "credit_note" else "To be paid"


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
        f"cost centre {centre}" if centre else "",
        f"order {order}" if order and order != document["references"]["po"] else "",
    ]
    net = sum((Decimal(line["amount"]) for line in lines), Decimal(0))
    return {
        "name": name or code or "For all sites",
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
        f"contract {contract}" if contract and contract != document["references"]["contract"] else "",
        f"order {order}" if order not in ("", common_order, document["references"]["po"]) else "",
        f"cost centre {centre}" if centre not in ("", common_centre) else "",
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
        yield "late"
    if line["kind"] == "credit" and document["document"] == "invoice":
        yield "credit"
    if line["in_advance"]:
        yield "in advance"


def _credited(line: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """Which line this gives back; on a credit note for one invoice the line's number is enough."""
    credited, corrects = line["credits"], document["references"]["corrects"]
    if not credited:
        return ""
    if corrects and corrects["number"] == credited["number"]:
        return f"line {credited['line']} of the invoice"
    return f"gives back line {credited['line']} of {credited['number']}"


def _when(line: Mapping[str, Any]) -> str:
    """The days of what is charged for days, the day of what was done on one, whatever month it is charged in."""
    if line["rule"] in _FOR_DAYS:
        return amounts.days(line["period"])
    return amounts.day(line["service_on"])


def _quantity(line: Mapping[str, Any]) -> str:
    part, of = amounts.number(str(line["quantity"]["part"])), str(line["quantity"]["of"])
    if of == "1":
        return part
    counted = _COUNTED.get(line["rule"], "")
    return f"{part} of {amounts.number(of)} {counted}".rstrip()


def _rate(tax: Mapping[str, Any] | None) -> str:
    if tax is None:
        return ""
    return _UNTAXED.get(tax["category"]) or amounts.percent(tax["rate"])


def _tax_name(group: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """The tax's name without the rate, which stands beside it."""
    return _RATE_IN_NAME.sub("", group["name"]) or _TAX_NAMES.get(document["issuer"]["regime"], "Tax")


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
    yield ["Net", amounts.number(document["net"])]
    if document["tax_groups"]:
        names = {_tax_name(group, document) for group in document["tax_groups"]}
        yield [names.pop() if len(names) == 1 else "Tax", amounts.number(document["tax"])]
        yield ["Total", amounts.number(document["total"])]
    if Decimal(document["cash_rounding"]):
        yield ["Rounding", amounts.number(document["cash_rounding"])]


def _notes(document: Mapping[str, Any]) -> Iterator[str]:
    """Why no tax is on something, each reason once, and the document's own note."""
    reasons = dict.fromkeys(group["reason"] for group in document["tax_groups"] if group["reason"])
    yield from reasons
    kinds = {line["kind"] for line in document["lines"]}
    if "late" in kinds:
        yield "Lines marked late are for work of an earlier month that reached us after its invoice, at the prices of that time."
    if document["note"]:
        yield document["note"]
