"""Journal entries as the feed shows them: as the list of entries does."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from billing.rules.documents import amount_text

_ENTRIES = """
SELECT e.id, e.ordinal, e.key, e.purpose, e.entry_on, coalesce(l.code, ''), coalesce(c.code, ''), coalesce(d.number, ''),
    coalesce(e.payment_id::text, ''), coalesce(e.refund_id::text, ''), e.text, e.currency
FROM billing_journalentry e
LEFT JOIN billing_legalentity l ON l.operator_id = e.operator_id AND l.id = e.legal_entity_id
LEFT JOIN accounts_customer c ON c.operator_id = e.operator_id AND c.id = e.customer_id
LEFT JOIN billing_document d ON d.operator_id = e.operator_id AND d.id = e.document_id
WHERE e.operator_id = %s AND e.id = ANY(%s)
"""
_LINES = """
SELECT l.entry_id, l.line, l.account, coalesce(s.code, ''), l.jurisdiction, l.debit, l.credit
FROM billing_journalline l LEFT JOIN accounts_site s ON s.operator_id = l.operator_id AND s.id = l.site_id
WHERE l.operator_id = %s AND l.entry_id = ANY(%s) ORDER BY l.entry_id, l.line
"""
_NAMES = (
    "id", "ordinal", "key", "purpose", "entry_on", "legal_entity", "customer", "document", "payment", "refund", "text",
    "currency",
)  # fmt: skip


def entries(ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """By id, entries with their lines."""
    values: list[Any] = [current_operator_id(), list(ids)]
    with connection.cursor() as cursor:
        cursor.execute(_ENTRIES, values)
        found: dict[UUID, dict[str, Any]] = {
            row[0]: {**dict(zip(_NAMES, row, strict=True)), "lines": []} for row in cursor.fetchall()
        }
        cursor.execute(_LINES, values)
        for entry_id, *line in cursor.fetchall():
            entry = found[entry_id]
            entry["lines"].append(_line(line, entry["currency"]))
    return found


def _line(row: list[Any], currency: str) -> dict[str, Any]:
    line, account, site, jurisdiction, debit, credit = row
    return {
        "line": line,
        "account": account,
        "site": site,
        "jurisdiction": jurisdiction,
        "debit": amount_text(debit, currency),
        "credit": amount_text(credit, currency),
    }
