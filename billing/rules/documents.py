"""The frozen customer document: its content, its canonical bytes, its digest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.inputs import Inputs
from billing.rules.invoicing import Draft, Line
from billing.rules.money import ROUNDING_POLICY, smallest
from billing.rules.rating import month_after

ENGINE = "wickround-billing/1"
NET_NOTE = "All amounts are net; tax is not included."


@dataclass(frozen=True, slots=True)
class Heading:
    """What a document says beside its lines. ``previous_sha256`` is the digest before it in its series, "" at first."""

    number: str
    issued_on: date
    month: date
    previous_sha256: str


def document(heading: Heading, draft: Draft, inputs: Inputs) -> dict[str, Any]:
    """The customer's document as plain JSON: ids, dates and decimals as text, amounts in the currency's minor units."""
    customer = inputs.customers[draft.customer_id]
    return {
        "currency": draft.currency,
        "customer": {
            "address": customer.address,
            "code": customer.code,
            "country": customer.country,
            "name": customer.name,
        },
        "document": "invoice",
        "engine": ENGINE,
        "issued_on": str(heading.issued_on),
        "issuer": {"legal_name": inputs.operator.legal_name},
        "lines": [_line(number, line) for number, line in enumerate(draft.lines, start=1)],
        "note": NET_NOTE,
        "number": heading.number,
        "period": {"end_exclusive": str(month_after(heading.month)), "start": str(heading.month)},
        "previous_sha256": heading.previous_sha256,
        "rounding": ROUNDING_POLICY,
        "total": amount_text(draft.total, draft.currency),
    }


def _line(number: int, line: Line) -> dict[str, Any]:
    charge = line.charge
    return {
        "agreement": charge.agreement_number,
        "amount": amount_text(charge.amount, charge.currency),
        "charge": charge.key,
        "event": str(charge.event_id) if charge.event_id else None,
        "item": {"code": charge.item_code, "name": charge.item_name},
        "kind": str(line.kind),
        "line": number,
        "period": {"end_exclusive": str(charge.ends_before), "start": str(charge.starts_on)},
        "place": charge.place,
        "quantity": {"of": charge.whole, "part": decimal_text(charge.part)},
        "service_on": str(charge.service_on),
        "site": {"code": charge.site_code, "name": charge.site_name},
        "unit": charge.unit_code,
        "unit_price": decimal_text(charge.unit_price),
    }


def amount_text(amount: Decimal, currency: str) -> str:
    """An amount with all its minor units: "12.50" EUR, "12" JPY, "12.500" KWD."""
    return format(amount.quantize(smallest(currency)), "f")


def decimal_text(number: Decimal) -> str:
    """A decimal without trailing zeros and never in exponent form."""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def canonical_bytes(data: Mapping[str, Any]) -> bytes:
    """JSON with sorted keys and no white space in UTF-8: the form of RFC 8785 for texts, whole numbers and null."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()


def digest(data: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical_bytes(data)).hexdigest()
