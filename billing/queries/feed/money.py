"""Payments, and money that left again, as the feed shows them."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from billing.rules.documents import amount_text

_PAYMENTS = """
SELECT id, customer_id, legal_entity_id, received_on, amount, currency, method, reference, external_id, recorded_at
FROM billing_payment WHERE operator_id = %s AND id = ANY(%s)
"""
_ALLOCATIONS = """
SELECT a.payment_id, a.id, d.number, a.amount, a.made_on, a.undoes_id
FROM billing_allocation a JOIN billing_document d ON d.operator_id = a.operator_id AND d.id = a.document_id
WHERE a.operator_id = %s AND a.payment_id = ANY(%s) ORDER BY a.id
"""
_LEFT_AGAIN = """
SELECT payment_id, sum(amount), max(paid_on) FILTER (WHERE kind = 'return')
FROM billing_refund WHERE operator_id = %s AND payment_id = ANY(%s) GROUP BY 1
"""
_REFUNDS = """
SELECT r.id, r.kind, r.customer_id, r.legal_entity_id, r.payment_id, coalesce(d.number, ''), r.paid_on, r.amount, r.currency,
    r.method, r.reference, r.external_id, r.recorded_at
FROM billing_refund r LEFT JOIN billing_document d ON d.operator_id = r.operator_id AND d.id = r.credit_note_id
WHERE r.operator_id = %s AND r.id = ANY(%s)
"""
_REFUND_NAMES = (
    "id", "kind", "customer", "legal_entity", "payment", "credit_note", "paid_on", "amount", "currency", "method",
    "reference", "external_id", "recorded_at",
)  # fmt: skip


def payments(ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """By id, payments with what they settle, what left again, and what is kept."""
    values: list[Any] = [current_operator_id(), list(ids)]
    with connection.cursor() as cursor:
        cursor.execute(_LEFT_AGAIN, values)
        left_again = {row[0]: row[1:] for row in cursor.fetchall()}
        cursor.execute(_PAYMENTS, values)
        rows = cursor.fetchall()
        left = {row[0]: row[4] - left_again.get(row[0], _NOTHING)[0] for row in rows}
        found = {row[0]: _payment(row, *left_again.get(row[0], _NOTHING)) for row in rows}
        cursor.execute(_ALLOCATIONS, values)
        for payment_id, allocation_id, number, amount, made_on, undoes in cursor.fetchall():
            payment = found[payment_id]
            left[payment_id] -= amount
            payment["allocations"].append(
                {
                    "id": allocation_id,
                    "document": number,
                    "amount": amount_text(amount, payment["currency"]),
                    "made_on": made_on,
                    "undoes": undoes,
                }
            )
    for payment_id, payment in found.items():
        payment["left"] = amount_text(left[payment_id], payment["currency"])
    return found


_NOTHING = (Decimal(0), None)


def _payment(row: tuple[Any, ...], refunded: Decimal, returned_on: Any) -> dict[str, Any]:
    payment_id, customer, legal_entity, received_on, amount, currency, *names, recorded_at = row
    method, reference, external_id = names
    return {
        "id": payment_id,
        "customer": customer,
        "legal_entity": legal_entity,
        "received_on": received_on,
        "amount": amount_text(amount, currency),
        "refunded": amount_text(refunded, currency),
        "returned_on": returned_on,
        "currency": currency,
        "method": method,
        "reference": reference,
        "external_id": external_id,
        "recorded_at": recorded_at,
        "allocations": [],
    }


def refunds(ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """By id, money paid back to customers, and payments that the bank took back."""
    with connection.cursor() as cursor:
        cursor.execute(_REFUNDS, [current_operator_id(), list(ids)])
        rows = [dict(zip(_REFUND_NAMES, row, strict=True)) for row in cursor.fetchall()]
    return {row["id"]: {**row, "amount": amount_text(row["amount"], row["currency"])} for row in rows}
