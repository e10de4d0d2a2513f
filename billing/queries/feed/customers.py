"""Customers as the feed shows them: with what billing knows of them, and what programs call them."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from billing.models import BillingProfile
from billing.rules.money import PRICE_DECIMALS

_CUSTOMER = ("id", "code", "name", "country", "billing_email", "address")
# As they are shown, with their columns; a customer without a profile has the values of a new one.
_PROFILE = {
    "bill_to": "bill_to_id",
    **{
        name: name
        for name in (
            "street", "city", "postcode", "subdivision", "vat_id", "buyer_reference", "tax_treatment", "tax_jurisdiction",
            "exemption_reason", "payment_days", "po_required", "line_pos", "delivery", "invoice_minimum",
        )
    },
}  # fmt: skip
_CUSTOMERS = f"""
SELECT {", ".join(f"c.{name}" for name in _CUSTOMER)}, p.id IS NOT NULL, {", ".join(f"p.{name}" for name in _PROFILE.values())}
FROM accounts_customer c
LEFT JOIN billing_billingprofile p ON p.operator_id = c.operator_id AND p.customer_id = c.id
WHERE c.operator_id = %s AND c.id = ANY(%s)
"""
_NAMED = """
SELECT object_id, system, external_id FROM billing_externalid
WHERE operator_id = %s AND kind = 'customer' AND object_id = ANY(%s) ORDER BY system
"""
_SMALLEST_PRICE = Decimal(1).scaleb(-PRICE_DECIMALS)


def customers(ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """By id, customers with their billing profiles and external ids."""
    values: list[Any] = [current_operator_id(), list(ids)]
    usual = {name: getattr(BillingProfile(), column) for name, column in _PROFILE.items()}
    with connection.cursor() as cursor:
        cursor.execute(_CUSTOMERS, values)
        found = {row[0]: _customer(row, usual) for row in cursor.fetchall()}
        cursor.execute(_NAMED, values)
        for customer_id, system, external_id in cursor.fetchall():
            found[customer_id]["external_ids"][system] = external_id
    return found


def _customer(row: tuple[Any, ...], usual: dict[str, Any]) -> dict[str, Any]:
    own, is_known, profile = row[: len(_CUSTOMER)], row[len(_CUSTOMER)], row[len(_CUSTOMER) + 1 :]
    shown = dict(zip(_PROFILE, profile, strict=True)) if is_known else dict(usual)
    minimum = shown["invoice_minimum"]
    if minimum is not None:
        shown["invoice_minimum"] = format(minimum.quantize(_SMALLEST_PRICE), "f")
    return {**dict(zip(_CUSTOMER, own, strict=True)), "billing_profile": shown, "external_ids": {}}
