"""Invoice and credit note lines in UBL."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from billing.rules.ubl.codes import LINE_OBJECT, NOT_SUBJECT, unit_code
from billing.rules.ubl.elements import amount, group, leaf
from billing.rules.ubl.figures import Figures, figures, rate_text

# The names of the attributes (BG-32) that carry what EN 16931 has no term for, by our key of the line. A contract or an
# order that stands on the document, a regular kind and a service on the period's first day go without saying.
ATTRIBUTES = {
    "kind": "Kind",
    "service_on": "Service date",
    "unit": "Unit",
    "place": "Place",
    "agreement": "Service agreement",
    "contract": "Contract",
    "po": "Purchase order",
    "event": "Service event",
}
USUAL_KIND = "regular"
SITE_NAME, CREDITED, CREDITED_LINE = "Site", "Credited invoice", "Credited line"
ROUNDING, ADJUSTMENT = "Rounding", "Adjustment"


def line(given: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    """One line of the document."""
    currency = document["currency"]
    is_credit = document["document"] == "credit_note"
    stated = figures(given)
    unit = f'unitCode="{unit_code(given["rule"], stated.of)}"'
    site = given["site"]
    return group(
        "CreditNoteLine" if is_credit else "InvoiceLine",
        leaf("ID", str(given["line"])),
        leaf("CreditedQuantity" if is_credit else "InvoicedQuantity", stated.quantity, unit),
        amount("LineExtensionAmount", stated.amount, currency),
        leaf("AccountingCost", given["cost_centre"]),
        period(given["period"]),
        group("DocumentReference", leaf("ID", site["code"]), leaf("DocumentTypeCode", LINE_OBJECT))
        if site
        else "",
        _adjustment(stated, document),
        _item(given, document),
        group(
            "Price",
            amount("PriceAmount", stated.price, currency),
            leaf("BaseQuantity", stated.of, unit) if stated.of != "1" else "",
        ),
    )


def period(given: Mapping[str, str] | None) -> str:
    """A period by its first and its last day."""
    if given is None:
        return ""
    last = date.fromisoformat(given["end_exclusive"]) - timedelta(days=1)
    return group("InvoicePeriod", leaf("StartDate", given["start"]), leaf("EndDate", last.isoformat()))


def _adjustment(stated: Figures, document: Mapping[str, Any]) -> str:
    if not stated.adjustment:
        return ""
    # Two of the smallest amounts: a difference of two rounded ones, or a rounded one and a part of a split.
    small = Decimal(2).scaleb(-min(document["minor_units"], 2))
    return group(
        "AllowanceCharge",
        leaf("ChargeIndicator", "true" if stated.adjustment > 0 else "false"),
        leaf("AllowanceChargeReason", ROUNDING if abs(stated.adjustment) <= small else ADJUSTMENT),
        amount("Amount", format(abs(stated.adjustment), "f"), document["currency"]),
    )


def _item(given: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    item, tax = given["item"], given["tax"]
    category = tax["category"] if tax else NOT_SUBJECT
    return group(
        "Item",
        leaf("Name", item["name"] or item["code"]),
        group("SellersItemIdentification", leaf("ID", item["code"])),
        group(
            "ClassifiedTaxCategory",
            leaf("ID", category),
            leaf("Percent", rate_text(category, tax["rate"] if tax else None)),
            group("TaxScheme", leaf("ID", "VAT")),
        ),
        *(_attribute(name, value) for name, value in _attributes(given, document)),
    )


def _attributes(given: Mapping[str, Any], document: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Names and values of what doesn't go without saying."""
    references = document["references"]
    usual = {
        "kind": USUAL_KIND,
        "service_on": given["period"]["start"],
        "contract": references["contract"],
        "po": references["po"],
    }
    found = [(SITE_NAME, given["site"]["name"])] if given["site"] else []
    found += [(name, given[key]) for key, name in ATTRIBUTES.items() if given[key] != usual.get(key)]
    if given["credits"]:
        found += [(CREDITED, given["credits"]["number"]), (CREDITED_LINE, str(given["credits"]["line"]))]
    return found


@lru_cache(maxsize=4096)
def _attribute(name: str, value: str | None) -> str:
    text = leaf("Value", value)
    return text and group("AdditionalItemProperty", leaf("Name", name), text)
