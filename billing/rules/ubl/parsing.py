"""Our own UBL read back, to compare it with the document it was made of."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree as ET

from billing.rules.ubl.codes import REASON_CODE, ROOT_NAMES, TYPE_CODES
from billing.rules.ubl.elements import CAC, CBC, ROOTS
from billing.rules.ubl.lines import ATTRIBUTES, CREDITED, CREDITED_LINE, SITE_NAME, USUAL_KIND

_SPACES = {"": CBC, "a": CAC}
_KINDS = {f"{{{ROOTS[name]}}}{name}": kind for kind, name in ROOT_NAMES.items()}


def parse(content: bytes) -> dict[str, Any]:
    """The comparable fields of a document that ``emit`` wrote. Raises ValueError for anything else."""
    try:
        tree = ET.fromstring(content)  # noqa: S314 - what we wrote, and expat refuses to expand entities without end
    except ET.ParseError as error:
        raise ValueError(f"The text is not XML: {error}.") from error
    kind = _KINDS.get(tree.tag)
    if kind is None:
        raise ValueError("The XML is not an invoice or a credit note in UBL.")
    type_code = "InvoiceTypeCode" if kind == "invoice" else "CreditNoteTypeCode"
    if _text(tree, type_code) != TYPE_CODES[kind]:
        raise ValueError(f"The {kind.replace('_', ' ')} has another type than {TYPE_CODES[kind]}.")
    totals = "a:LegalMonetaryTotal/"
    contract, po = _text(tree, "a:ContractDocumentReference/ID"), _text(tree, "a:OrderReference/ID")
    return {
        "document": kind,
        "number": _text(tree, "ID"),
        "issued_on": _text(tree, "IssueDate"),
        "due_on": _text(tree, "DueDate"),
        "currency": _text(tree, "DocumentCurrencyCode"),
        **_notes(tree),
        "period": _period(tree),
        "contract": contract,
        "po": po,
        "preceding": {
            _text(found, "ID"): _text(found, "IssueDate")
            for found in _all(tree, "a:BillingReference/a:InvoiceDocumentReference")
        },
        "issuer": _seller(tree),
        "customer": _buyer(tree),
        "lines": [
            _line(found, {"contract": contract, "po": po})
            for found in _all(tree, f"a:{ROOT_NAMES[kind]}Line")
        ],
        "tax_groups": [_group(found) for found in _all(tree, "a:TaxTotal/a:TaxSubtotal")],
        "net": _text(tree, totals + "TaxExclusiveAmount"),
        "tax": _text(tree, "a:TaxTotal/TaxAmount"),
        "total": _text(tree, totals + "TaxInclusiveAmount"),
        "cash_rounding": _text(tree, totals + "PayableRoundingAmount").rstrip("0").rstrip(".") or "0",
        "payable": _text(tree, totals + "PayableAmount"),
    }


def _text(element: ET.Element, path: str) -> str:
    return element.findtext(path, "", _SPACES)


def _all(element: ET.Element, path: str) -> list[ET.Element]:
    return element.findall(path, _SPACES)


def _notes(tree: ET.Element) -> dict[str, str]:
    mark = f"#{REASON_CODE}#"
    notes = [found.text or "" for found in _all(tree, "Note")]
    reasons = [note.removeprefix(mark) for note in notes if note.startswith(mark)]
    return {
        "reason": "".join(reasons),
        "note": "".join(note for note in notes if not note.startswith(mark)),
    }


def _period(element: ET.Element) -> dict[str, str] | None:
    start = _text(element, "a:InvoicePeriod/StartDate")
    if not start:
        return None
    last = date.fromisoformat(_text(element, "a:InvoicePeriod/EndDate"))
    return {"start": start, "end_exclusive": (last + timedelta(days=1)).isoformat()}


def _seller(tree: ET.Element) -> dict[str, Any]:
    party = "a:AccountingSupplierParty/a:Party/"
    account = "a:PaymentMeans/a:PayeeFinancialAccount/"
    return _party(tree, party) | {
        "legal_name": _text(tree, party + "a:PartyLegalEntity/RegistrationName"),
        "vat_id": _text(tree, party + "a:PartyTaxScheme/CompanyID"),
        "vat_registered": _text(tree, party + "a:PartyTaxScheme/a:TaxScheme/ID") == "VAT",
        "registration": _text(tree, party + "a:PartyLegalEntity/CompanyID"),
        "phone": _text(tree, party + "a:Contact/Telephone"),
        "iban": _text(tree, account + "ID"),
        "bic": _text(tree, account + "a:FinancialInstitutionBranch/ID"),
    }


def _buyer(tree: ET.Element) -> dict[str, Any]:
    party = "a:AccountingCustomerParty/a:Party/"
    number = _text(tree, party + "a:PartyTaxScheme/CompanyID")
    return _party(tree, party) | {
        "code": _text(tree, party + "a:PartyIdentification/ID"),
        "name": _text(tree, party + "a:PartyLegalEntity/RegistrationName"),
        "vat_id": number or _text(tree, party + "a:PartyLegalEntity/CompanyID"),
        "buyer_reference": _text(tree, "BuyerReference"),
    }


def _party(tree: ET.Element, party: str) -> dict[str, Any]:
    address = party + "a:PostalAddress/"
    return {
        "street": _text(tree, address + "StreetName"),
        "city": _text(tree, address + "CityName"),
        "postcode": _text(tree, address + "PostalZone"),
        "subdivision": _text(tree, address + "CountrySubentity"),
        "country": _text(tree, address + "a:Country/IdentificationCode"),
        "email": _text(tree, party + "EndpointID"),
    }


def _line(element: ET.Element, document_wide: dict[str, str]) -> dict[str, Any]:
    attributes = {
        _text(found, "Name"): _text(found, "Value")
        for found in _all(element, "a:Item/a:AdditionalItemProperty")
    }
    code = _text(element, "a:DocumentReference/ID")
    credited = attributes.get(CREDITED)
    usual = document_wide | {
        "kind": USUAL_KIND,
        "service_on": _text(element, "a:InvoicePeriod/StartDate"),
    }
    tax = "a:Item/a:ClassifiedTaxCategory/"
    return {
        "line": int(_text(element, "ID")),
        "item": {
            "code": _text(element, "a:Item/a:SellersItemIdentification/ID"),
            "name": _text(element, "a:Item/Name"),
        },
        "site": {"code": code, "name": attributes.get(SITE_NAME, "")} if code else None,
        "cost_centre": _text(element, "AccountingCost"),
        "period": _period(element),
        "quantity": {
            "part": _text(element, "InvoicedQuantity") or _text(element, "CreditedQuantity"),
            "of": _text(element, "a:Price/BaseQuantity") or "1",
        },
        "unit_price": _text(element, "a:Price/PriceAmount"),
        "amount": _text(element, "LineExtensionAmount"),
        "tax": {"category": _text(element, tax + "ID"), "rate": _text(element, tax + "Percent")},
        "credits": {"number": credited, "line": int(attributes[CREDITED_LINE])} if credited else None,
    } | {key: attributes.get(name, usual.get(key, "")) for key, name in ATTRIBUTES.items()}


def _group(element: ET.Element) -> dict[str, str]:
    return {
        "category": _text(element, "a:TaxCategory/ID"),
        "rate": _text(element, "a:TaxCategory/Percent"),
        "reason": _text(element, "a:TaxCategory/TaxExemptionReason"),
        "base": _text(element, "TaxableAmount"),
        "tax": _text(element, "TaxAmount"),
    }
