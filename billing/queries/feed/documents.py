"""Documents as the feed shows them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from decimal import Decimal
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from accounts.tenancy import current_operator_id
from billing.rules.bank.references import rf_reference
from billing.rules.documents import amount_text
from billing.rules.money import minor_units

# The content is read from its row once, however much is taken of it.
_DOCUMENTS = """
SELECT d.id, d.kind, d.number, d.customer_id, d.legal_entity_id, d.close_id, d.issued_on, d.due_on, d.currency, d.net, d.tax,
    d.total, d.po_number, d.document_sha256, d.previous_sha256, d.ubl_sha256, d.corrects_id,
    coalesce(said.tax_groups, '[]')::text, coalesce(said.rounding ->> 'policy', ''), said.cash_rounding, said.payable
FROM billing_document d, jsonb_to_record(d.document)
    AS said(tax_groups jsonb, rounding jsonb, cash_rounding text, payable text)
WHERE d.operator_id = %s AND d.id = ANY(%s)
"""
_NAMES = (
    "id", "kind", "number", "customer", "legal_entity", "month_close", "issued_on", "due_on", "currency", "net", "tax",
    "total", "purchase_order", "document_sha256", "previous_sha256", "ubl_sha256", "corrects",
    "tax_groups", "rounding_policy", "cash_rounding", "payable",
)  # fmt: skip
_CREDITED = """
SELECT a.credit_note_id, a.id, d.number, a.amount, a.made_on, a.undoes_id
FROM billing_allocation a JOIN billing_document d ON d.operator_id = a.operator_id AND d.id = a.document_id
WHERE a.operator_id = %s AND a.credit_note_id = ANY(%s) ORDER BY a.id
"""
_PAID_BACK = """
SELECT credit_note_id, sum(amount) FROM billing_refund WHERE operator_id = %s AND credit_note_id = ANY(%s) GROUP BY 1
"""


def documents(ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """By id, invoices, credit notes and opening debts."""
    operator = current_operator_id()
    with connection.cursor() as cursor:
        cursor.execute(_DOCUMENTS, [operator, list(ids)])
        found = {row[0]: _document(row) for row in cursor.fetchall()}
        notes = [document_id for document_id, one in found.items() if one["kind"] == "credit_note"]
        if not notes:
            return found
        cursor.execute(_CREDITED, [operator, notes])
        credited = cursor.fetchall()
        cursor.execute(_PAID_BACK, [operator, notes])
        paid_back = dict(cursor.fetchall())
    settled = _settled_by(credited)
    for note_id in notes:
        _add_use(found[note_id], settled[note_id], paid_back.get(note_id, Decimal(0)))
    return found


def _document(row: tuple[Any, ...]) -> dict[str, Any]:
    one = dict(zip(_NAMES, row, strict=True))
    kind, currency, total = one["kind"], one["currency"], one["total"]
    return one | {
        "minor_units": minor_units(currency),
        "net": amount_text(one["net"], currency),
        "tax": amount_text(one["tax"], currency),
        "total": amount_text(total, currency),
        "cash_rounding": one["cash_rounding"] or amount_text(Decimal(0), currency),
        "payable": one["payable"] or amount_text(total, currency),
        "tax_groups": orjson.Fragment(one["tax_groups"]),
        "payment_reference": "" if kind == "credit_note" else rf_reference(one["number"]),
    }


def _settled_by(rows: Collection[tuple[Any, ...]]) -> dict[UUID, list[tuple[Any, ...]]]:
    found: dict[UUID, list[tuple[Any, ...]]] = defaultdict(list)
    for source, *allocation in rows:
        found[source].append(tuple(allocation))
    return found


def _add_use(note: dict[str, Any], settled: list[tuple[Any, ...]], paid_back: Decimal) -> None:
    """Say what a credit note settled, what of it was paid back, and what is left."""
    currency = note["currency"]
    used = sum((amount for _, _, amount, _, _ in settled), paid_back)
    note["allocations"] = [
        {
            "id": allocation_id,
            "document": number,
            "amount": amount_text(amount, currency),
            "made_on": made_on,
            "undoes": undoes,
        }
        for allocation_id, number, amount, made_on, undoes in settled
    ]
    note["refunded"] = amount_text(paid_back, currency)
    note["left"] = amount_text(Decimal(note["payable"]) - used, currency)
