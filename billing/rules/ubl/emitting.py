"""Documents as UBL 2.1 under EN 16931: Invoice (380) and CreditNote (381).

Where each thing of ours stands is told in docs/e-invoices.md. Amounts are taken as the document says, never computed
again; what a receiver can compute (line net, tax by group, totals) comes out exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from accounts.languages import _, speaking
from billing.rules.dating import plain_day
from billing.rules.documents import manner_of
from billing.rules.ubl import codes
from billing.rules.ubl.elements import amount, group, leaf, root, said
from billing.rules.ubl.figures import Group, amount_text, groups, has_not_subject
from billing.rules.ubl.lines import line, period
from billing.rules.ubl.parties import buyer, country, seller


def emit(document: Mapping[str, Any]) -> bytes:
    """The frozen document of an e-invoicing entity as UBL: the same bytes for the same document, in UTF-8."""
    with speaking(manner_of(document)):
        return _emitted(document)


def _emitted(document: Mapping[str, Any]) -> bytes:
    kind = document["document"]
    references = document["references"]
    without_vat = has_not_subject(document)
    return root(
        codes.ROOT_NAMES[kind],
        leaf("CustomizationID", codes.CUSTOMIZATION),
        leaf("ID", document["number"]),
        leaf("IssueDate", document["issued_on"]),
        leaf("DueDate", document["due_on"]) if kind == "invoice" else "",
        leaf("InvoiceTypeCode" if kind == "invoice" else "CreditNoteTypeCode", codes.TYPE_CODES[kind]),
        *notes(document),
        leaf("DocumentCurrencyCode", document["currency"]),
        leaf("BuyerReference", document["customer"]["buyer_reference"]),
        period(covered(document)),
        group("OrderReference", leaf("ID", references["po"])),
        *(_preceding(number, issued_on) for number, issued_on in preceding(document).items()),
        group("ContractDocumentReference", leaf("ID", references["contract"])),
        seller(document["issuer"], without_vat=without_vat),
        buyer(document["customer"], without_vat=without_vat),
        _delivery(document),
        _payment_means(document),
        group("PaymentTerms", leaf("Note", payment_terms(document))),
        _tax(document),
        _totals(document),
        *(line(given, document) for given in document["lines"]),
    )


def notes(document: Mapping[str, Any]) -> list[str]:
    """The reason by its code, and the note as it stands."""
    reason = said(document["reason"])
    coded = leaf("Note", f"#{codes.REASON_CODE}#{reason}") if reason else ""
    return [coded, leaf("Note", document["note"])]


def covered(document: Mapping[str, Any]) -> dict[str, str] | None:
    """The days from the first to the last that the document or a line of it is for.

    The document's own period is the month closed; late lines and fees in advance lie outside, and receivers may refuse
    a line whose period is not within the document's (rules R110 and R111 of the Peppol network).
    """
    periods = [given["period"] for given in document["lines"]]
    periods += [document["period"]] if document["period"] else []
    if not periods:
        return None
    return {
        "start": min(given["start"] for given in periods),
        "end_exclusive": max(given["end_exclusive"] for given in periods),
    }


def preceding(document: Mapping[str, Any]) -> dict[str, str]:
    """The invoices that this document or lines of it give back of: the number, and when it was issued if that is known."""
    corrects = document["references"]["corrects"]
    found = {corrects["number"]: corrects["issued_on"]} if corrects else {}
    for given in document["lines"]:
        if given["credits"]:
            found.setdefault(given["credits"]["number"], "")
    return found


def _preceding(number: str, issued_on: str) -> str:
    return group(
        "BillingReference",
        group("InvoiceDocumentReference", leaf("ID", number), leaf("IssueDate", issued_on)),
    )


def payment_terms(document: Mapping[str, Any]) -> str:
    """When and how it is settled, in a sentence (BT-20)."""
    if document["document"] == "credit_note":
        corrects = document["references"]["corrects"]
        if corrects is None:
            return _("Set off against open invoices, or paid back.")
        return _("Set off against {number}, or paid back.", number=corrects["number"])
    due_on = document["due_on"]
    return _("Payable by {day}.", day=plain_day(due_on)) if due_on else _("Payable on receipt.")


def _delivery(document: Mapping[str, Any]) -> str:
    """The site when there is only one; for an intra-community supply also where it goes and when (BR-IC-11, -12)."""
    sites = {given["site"]["code"]: given["site"]["name"] for given in document["lines"] if given["site"]}
    code, name = next(iter(sites.items())) if len(sites) == 1 else ("", "")
    supplied = any(group["category"] == "K" for group in document["tax_groups"])
    on = max((given["service_on"] for given in document["lines"]), default="") if supplied else ""
    address = group("Address", country(document["customer"]["country"])) if supplied else ""
    return group(
        "Delivery",
        leaf("ActualDeliveryDate", on),
        group("DeliveryLocation", leaf("ID", code), address),
        group("DeliveryParty", group("PartyName", leaf("Name", name))),
    )


def account_number(iban: str | None) -> str:
    """An IBAN without the spaces it is printed with."""
    return said(iban).replace(" ", "")


def _payment_means(document: Mapping[str, Any]) -> str:
    """The seller's account, on invoices: on a credit note nothing is to be paid to it."""
    issuer = document["issuer"]
    iban = account_number(issuer["iban"])
    if not iban or document["document"] == "credit_note":
        return ""
    code = codes.SEPA_TRANSFER if document["currency"] == "EUR" else codes.CREDIT_TRANSFER
    return group(
        "PaymentMeans",
        leaf("PaymentMeansCode", code),
        leaf("PaymentID", document["number"]),
        group(
            "PayeeFinancialAccount",
            leaf("ID", iban),
            leaf("Name", issuer["legal_name"]),
            group("FinancialInstitutionBranch", leaf("ID", account_number(issuer["bic"]))),
        ),
    )


def _tax(document: Mapping[str, Any]) -> str:
    currency = document["currency"]
    in_union = document["issuer"]["country"] in codes.MEMBER_STATES
    return group(
        "TaxTotal",
        amount("TaxAmount", amount_text(document["tax"]), currency),
        *(_subtotal(given, currency, in_union=in_union) for given in groups(document)),
    )


def _subtotal(given: Group, currency: str, *, in_union: bool) -> str:
    code = codes.REASONS[given.category][1] if in_union and given.reason else ""
    return group(
        "TaxSubtotal",
        amount("TaxableAmount", given.base, currency),
        amount("TaxAmount", given.tax, currency),
        group(
            "TaxCategory",
            leaf("ID", given.category),
            leaf("Percent", given.rate),
            leaf("TaxExemptionReasonCode", code),
            leaf("TaxExemptionReason", given.reason),
            group("TaxScheme", leaf("ID", "VAT")),
        ),
    )


def _totals(document: Mapping[str, Any]) -> str:
    currency = document["currency"]
    net, rounding = amount_text(document["net"]), amount_text(document["cash_rounding"])
    return group(
        "LegalMonetaryTotal",
        amount("LineExtensionAmount", net, currency),
        amount("TaxExclusiveAmount", net, currency),
        amount("TaxInclusiveAmount", amount_text(document["total"]), currency),
        amount("PayableRoundingAmount", rounding if rounding.strip("-0.") else "", currency),
        amount("PayableAmount", amount_text(document["payable"]), currency),
    )
