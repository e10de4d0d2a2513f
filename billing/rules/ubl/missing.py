"""What EN 16931 asks of a document beyond its figures: the numbers, addresses and reasons that make it an electronic invoice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from billing.rules.ubl import codes, parties
from billing.rules.ubl.elements import said
from billing.rules.ubl.figures import CENT, has_not_subject

# Categories for which the seller must have a VAT identifier, and those for which the buyer must be known to the tax.
_SELLER_VAT = frozenset({"K", "G"})
_BUYER_VAT = frozenset({"AE", "K"})


def missing(document: Mapping[str, Any]) -> list[str]:
    """Sentences on what the document lacks to be valid under EN 16931; none when its UBL will be."""
    categories = {line["tax"]["category"] for line in document["lines"] if line["tax"]}
    return [
        *_of_parties(document, categories),
        *_of_tax(document, categories),
        *_of_amounts(document),
    ]


def _of_parties(document: Mapping[str, Any], categories: set[str]) -> Iterator[str]:
    issuer, customer = document["issuer"], document["customer"]
    if not said(issuer["legal_name"]):
        yield "The legal entity has no legal name."
    if not issuer["country"]:
        yield "The legal entity's address has no country (BR-09)."
    if not customer["country"]:
        yield "The customer's address has no country (BR-11)."
    if not said(customer["name"]):
        yield "The customer has no name (BR-07)."
    if categories - {codes.NOT_SUBJECT} and not said(issuer["vat_id"]):
        yield "The legal entity has no tax number (BR-S-02)."
    if categories & _SELLER_VAT and not parties.is_vat_id(issuer):
        yield "The legal entity has no VAT number with its country's code (BR-IC-02, BR-G-02)."
    if categories & _BUYER_VAT and not said(customer["vat_id"]):
        yield "The customer has no VAT number (BR-AE-02, BR-IC-02)."
    elif "K" in categories and not parties.is_vat_id(customer):
        yield "The customer's VAT number lacks its country's code (BR-IC-02)."


def _of_tax(document: Mapping[str, Any], categories: set[str]) -> Iterator[str]:
    if any(line["tax"] is None for line in document["lines"]):
        yield "A line has no tax (BR-CO-04)."
    if not document["tax_groups"]:
        yield "The document has no tax group (BR-CO-18)."
    if has_not_subject(document) and categories != {codes.NOT_SUBJECT}:
        yield "Lines outside the tax stand beside taxed ones (BR-O-11)."


def _of_amounts(document: Mapping[str, Any]) -> Iterator[str]:
    stated = [document[key] for key in ("net", "tax", "total", "cash_rounding", "payable")]
    stated += [line["amount"] for line in document["lines"]]
    stated += [group[key] for group in document["tax_groups"] for key in ("base", "tax")]
    if any(Decimal(text) % CENT for text in stated):
        yield "An amount has more than two decimals (BR-DEC)."
    if not document["lines"]:
        yield "The document has no line (BR-16)."
    if any(not said(line["item"]["name"] or line["item"]["code"]) for line in document["lines"]):
        yield "An item has neither name nor code (BR-25)."
