"""Journal entries as the feed shows them: as the list of entries does."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from functools import lru_cache
from typing import Any
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id
from billing.queries import naming
from billing.rules.documents import amount_text

_ENTRIES = """
SELECT e.id, e.ordinal, e.key, e.purpose, e.entry_on, coalesce(l.code, ''), coalesce(c.code, ''), coalesce(d.number, ''),
    coalesce(e.payment_id::text, ''), coalesce(e.refund_id::text, ''), e.text, e.currency,
    e.legal_entity_id
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


def entries(ids: Collection[UUID], system: str = "") -> dict[UUID, dict[str, Any]]:
    """By id, entries with their lines; to ``system`` also by its own numbers of the accounts."""
    mapped = naming.mapped(system)
    values: list[Any] = [current_operator_id(), list(ids)]
    with connection.cursor() as cursor:
        cursor.execute(_ENTRIES, values)
        found: dict[UUID, dict[str, Any]] = {}
        entities: dict[UUID, UUID | None] = {}
        for *row, entity_id in cursor.fetchall():
            found[row[0]] = {**dict(zip(_NAMES, row, strict=True)), "lines": []}
            entities[row[0]] = entity_id
        cursor.execute(_LINES, values)
        for entry_id, *line in cursor.fetchall():
            entry = found[entry_id]
            external = mapped.number(entities[entry_id], line[1]) if system else ""
            entry["lines"].append(_line(line, external, entry["currency"]))
    return found


@lru_cache(maxsize=64)
def nothing(currency: str) -> str:
    """No amount, as text: one side of every line is that."""
    return amount_text(Decimal(0), currency)


def _line(row: list[Any], external_account: str, currency: str) -> dict[str, Any]:
    line, account, site, jurisdiction, debit, credit = row
    return {
        "line": line,
        "account": account,
        "external_account": external_account,
        "site": site,
        "jurisdiction": jurisdiction,
        "debit": amount_text(debit, currency) if debit else nothing(currency),
        "credit": amount_text(credit, currency) if credit else nothing(currency),
    }
