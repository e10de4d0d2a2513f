"""What of a document its UBL must say: ``parse(emit(document)) == comparable(document)``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from billing.rules.ubl import emitting, parties
from billing.rules.ubl.elements import said
from billing.rules.ubl.figures import amount_text, figures, groups, has_not_subject, plain, rate_text
from billing.rules.ubl.lines import ATTRIBUTES

_PARTY = ("city", "postcode", "subdivision", "country", "email")


def comparable(document: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of the document that its UBL carries, in the form that ``parse`` gives.

    Texts on one line and "" for none, amounts with at most two decimals, tax groups by category and rate, the period
    over all lines. What a receiver has no use for (accounts, digests, rules) is not in it.
    """
    references = document["references"]
    return {
        "document": document["document"],
        "number": said(document["number"]),
        "issued_on": document["issued_on"],
        "due_on": (document["due_on"] if document["document"] == "invoice" else None) or "",
        "currency": document["currency"],
        "note": said(document["note"]),
        "reason": said(document["reason"]),
        "period": emitting.covered(document),
        "contract": said(references["contract"]),
        "po": said(references["po"]),
        "preceding": {said(number): on or "" for number, on in emitting.preceding(document).items()},
        "issuer": _issuer(document),
        "customer": _customer(document["customer"]),
        "lines": [_line(line, references) for line in document["lines"]],
        "tax_groups": [
            {
                "category": group.category,
                "rate": group.rate,
                "reason": said(group.reason),
                "base": group.base,
                "tax": group.tax,
            }
            for group in groups(document)
        ],
        "net": amount_text(document["net"]),
        "tax": amount_text(document["tax"]),
        "total": amount_text(document["total"]),
        "cash_rounding": plain(document["cash_rounding"]),
        "payable": amount_text(document["payable"]),
    }


def _issuer(document: Mapping[str, Any]) -> dict[str, str]:
    issuer = document["issuer"]
    iban = emitting.account_number(issuer["iban"]) if document["document"] == "invoice" else ""
    return _party(issuer) | {
        "legal_name": said(issuer["legal_name"]),
        "vat_id": said(issuer["vat_id"]),
        "vat_registered": bool(parties.is_vat_id(issuer)) and not has_not_subject(document),
        "registration": said(issuer["registration"]),
        "phone": said(issuer["phone"]),
        "iban": iban,
        "bic": emitting.account_number(issuer["bic"]) if iban else "",
    }


def _customer(customer: Mapping[str, Any]) -> dict[str, str]:
    return _party(customer) | {
        key: said(customer[key]) for key in ("code", "name", "vat_id", "buyer_reference")
    }


def _party(party: Mapping[str, Any]) -> dict[str, Any]:
    return {"street": said(parties.street_of(party))} | {key: said(party[key]) for key in _PARTY}


def _line(line: Mapping[str, Any], references: Mapping[str, Any]) -> dict[str, Any]:
    stated = figures(line)
    site, tax, given_back = line["site"], line["tax"], line["credits"]
    category = tax["category"] if tax else "O"
    return {
        "line": line["line"],
        "item": {
            "code": said(line["item"]["code"]),
            "name": said(line["item"]["name"] or line["item"]["code"]),
        },
        "site": {"code": said(site["code"]), "name": said(site["name"])} if site else None,
        "cost_centre": said(line["cost_centre"]),
        "period": dict(line["period"]),
        "quantity": {"part": stated.quantity, "of": stated.of},
        "unit_price": stated.price,
        "amount": stated.amount,
        "tax": {"category": category, "rate": rate_text(category, tax["rate"] if tax else None)},
        "credits": {"number": said(given_back["number"]), "line": given_back["line"]} if given_back else None,
    } | {key: said(line[key] or references.get(key)) for key in ATTRIBUTES}
