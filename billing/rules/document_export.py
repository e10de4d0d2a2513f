"""A document's lines as CSV (RFC 4180), for whoever checks it in a spreadsheet or books it line by line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.csv_rows import Cell, csv_rows

HEADER = (
    "number", "line", "kind", "item_code", "item_name", "rule", "clause", "site_code", "site_name", "unit", "place",
    "service_on", "start", "end_exclusive", "part", "of", "unit_price", "amount", "currency", "tax_category", "tax_rate",
    "contract", "agreement", "purchase_order", "cost_centre", "revenue_account", "event", "charge",
    "credits_number", "credits_line",
)  # fmt: skip


def document_csv(document: Mapping[str, Any]) -> str:
    """One record a line, in the document's order; amounts are net. On a credit note they are what is given back."""
    return "".join(csv_rows(HEADER, (_row(document, line) for line in document["lines"])))


def _row(document: Mapping[str, Any], line: Mapping[str, Any]) -> list[Cell]:
    site, tax, credits_ = line["site"] or {}, line["tax"] or {}, line["credits"] or {}
    return [
        document["number"],
        line["line"],
        line["kind"],
        line["item"]["code"],
        line["item"]["name"],
        line["rule"],
        line["clause"],
        site.get("code", ""),
        site.get("name", ""),
        line["unit"],
        line["place"],
        date.fromisoformat(line["service_on"]),
        date.fromisoformat(line["period"]["start"]),
        date.fromisoformat(line["period"]["end_exclusive"]),
        Decimal(line["quantity"]["part"]),
        line["quantity"]["of"],
        Decimal(line["unit_price"]),
        Decimal(line["amount"]),
        document["currency"],
        tax.get("category", ""),
        Decimal(tax["rate"]) if tax else None,
        line["contract"],
        line["agreement"],
        line["po"],
        line["cost_centre"],
        line["account"],
        line["event"],
        line["charge"],
        credits_.get("number", ""),
        credits_.get("line"),
    ]
