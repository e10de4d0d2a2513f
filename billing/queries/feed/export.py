"""A period's documents and money for files, and what they come to.

Neither documents nor money ever change, so the ids of one moment are the file of that moment, however slowly it is read.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any
from uuid import UUID

from django.db import connection

from accounts import tenancy
from accounts.permissions import Actor
from accounts.tenancy import current_operator_id
from billing.queries.ledger import Range
from billing.rules.feed_export import DocumentRow, DocumentTotal, MoneyRow, MoneyTotal

AT_ONCE = 200

# The rounding of a cash total is an entry of its own, whose first line is the receivable.
_ROUNDED = """
SELECT e.document_id, sum(CASE d.kind WHEN 'credit_note' THEN l.credit - l.debit ELSE l.debit - l.credit END) AS amount
FROM billing_document d
JOIN billing_journalentry e ON e.operator_id = d.operator_id AND e.document_id = d.id AND e.purpose = 'rounding'
JOIN billing_journalline l ON l.operator_id = e.operator_id AND l.entry_id = e.id AND l.line = 1
WHERE d.operator_id = %(operator)s AND {which} GROUP BY 1
"""
_ISSUED = "d.issued_on BETWEEN %(since)s AND %(until)s"
_DOCUMENT_IDS = f"SELECT d.id FROM billing_document d WHERE d.operator_id = %(operator)s AND {_ISSUED} ORDER BY d.issued_on, d.number"
_DOCUMENTS = f"""
WITH rounded AS ({_ROUNDED.format(which="d.id = ANY(%(ids)s)")})
SELECT d.id, d.kind, d.number, d.issued_on, d.due_on, coalesce(e.code, ''), c.code, coalesce(i.number, ''), d.po_number,
    d.currency, d.net, d.tax, d.total, coalesce(r.amount, 0), d.document_sha256,
    coalesce(d.document -> 'tax_groups', '[]')::text
FROM billing_document d
JOIN accounts_customer c ON c.operator_id = d.operator_id AND c.id = d.customer_id
LEFT JOIN billing_legalentity e ON e.operator_id = d.operator_id AND e.id = d.legal_entity_id
LEFT JOIN billing_document i ON i.operator_id = d.operator_id AND i.id = d.corrects_id
LEFT JOIN rounded r ON r.document_id = d.id
WHERE d.operator_id = %(operator)s AND d.id = ANY(%(ids)s)
"""
_DOCUMENT_TOTALS = f"""
WITH rounded AS ({_ROUNDED.format(which=_ISSUED)})
SELECT d.kind, d.currency, count(*), sum(d.net), sum(d.tax), sum(d.total), coalesce(sum(r.amount), 0)
FROM billing_document d LEFT JOIN rounded r ON r.document_id = d.id
WHERE d.operator_id = %(operator)s AND {_ISSUED} GROUP BY 1, 2 ORDER BY 1, 2
"""

# Money in one form: what came, what left again, and what of it settles documents.
_MONEY = """
SELECT p.id, 'payment' AS kind, p.received_on AS day, p.legal_entity_id, p.customer_id, NULL::uuid AS payment_id,
    NULL::uuid AS credit_note_id, NULL::uuid AS document_id, NULL::uuid AS undoes_id, p.method, p.reference, p.external_id,
    p.currency, p.amount
FROM billing_payment p WHERE p.operator_id = %(operator)s AND {payment}
UNION ALL
SELECT r.id, r.kind, r.paid_on, r.legal_entity_id, r.customer_id, r.payment_id, r.credit_note_id, NULL, NULL, r.method,
    r.reference, r.external_id, r.currency, r.amount
FROM billing_refund r WHERE r.operator_id = %(operator)s AND {refund}
UNION ALL
SELECT a.id, 'allocation', a.made_on, d.legal_entity_id, d.customer_id, a.payment_id, a.credit_note_id, a.document_id,
    a.undoes_id, '', '', '', d.currency, a.amount
FROM billing_allocation a JOIN billing_document d ON d.operator_id = a.operator_id AND d.id = a.document_id
WHERE a.operator_id = %(operator)s AND {allocation}
"""
_OF_PERIOD = _MONEY.format(
    payment="p.received_on BETWEEN %(since)s AND %(until)s",
    refund="r.paid_on BETWEEN %(since)s AND %(until)s",
    allocation="a.made_on BETWEEN %(since)s AND %(until)s",
)
_OF_IDS = _MONEY.format(
    payment="p.id = ANY(%(ids)s)", refund="r.id = ANY(%(ids)s)", allocation="a.id = ANY(%(ids)s)"
)
_MONEY_IDS = f"SELECT m.id FROM ({_OF_PERIOD}) m ORDER BY m.day, m.id"
_MONEY_ROWS = f"""
SELECT m.id, m.kind, m.day, coalesce(e.code, ''), c.code, coalesce(m.payment_id::text, ''), coalesce(n.number, ''),
    coalesce(d.number, ''), coalesce(m.undoes_id::text, ''), m.method, m.reference, m.external_id, m.currency, m.amount
FROM ({_OF_IDS}) m
JOIN accounts_customer c ON c.operator_id = %(operator)s AND c.id = m.customer_id
LEFT JOIN billing_legalentity e ON e.operator_id = %(operator)s AND e.id = m.legal_entity_id
LEFT JOIN billing_document n ON n.operator_id = %(operator)s AND n.id = m.credit_note_id
LEFT JOIN billing_document d ON d.operator_id = %(operator)s AND d.id = m.document_id
"""
_MONEY_TOTALS = f"""
SELECT m.kind, m.currency, count(*), sum(m.amount) FROM ({_OF_PERIOD}) m GROUP BY 1, 2 ORDER BY 1, 2
"""


def documents_through(actor: Actor, wanted: Range) -> Iterator[DocumentRow]:
    """The documents issued on the days of a range, by day and number."""
    for row in _read_through(actor, wanted, _DOCUMENT_IDS, _DOCUMENTS):
        yield DocumentRow(*(*row[1:-1], json.loads(row[-1])))


def money_through(actor: Actor, wanted: Range) -> Iterator[MoneyRow]:
    """Payments, refunds, returned payments and allocations of the days of a range, by day."""
    for money_id, kind, *rest in _read_through(actor, wanted, _MONEY_IDS, _MONEY_ROWS):
        yield MoneyRow(kind, str(money_id), *rest)


def document_totals(wanted: Range) -> dict[tuple[str, str], DocumentTotal]:
    """By kind and currency, what the documents of a range come to."""
    return {
        (kind, currency): DocumentTotal(*sums) for kind, currency, *sums in _all(_DOCUMENT_TOTALS, wanted)
    }


def money_totals(wanted: Range) -> dict[tuple[str, str], MoneyTotal]:
    """By kind and currency, what the money of a range comes to."""
    return {(kind, currency): MoneyTotal(*sums) for kind, currency, *sums in _all(_MONEY_TOTALS, wanted)}


def _read_through(actor: Actor, wanted: Range, ids_sql: str, rows_sql: str) -> Iterator[tuple[Any, ...]]:
    """The rows of all ids of one moment, in scopes of their own that end before the next rows are read."""
    with tenancy.reading(actor):
        ids = [row[0] for row in _all(ids_sql, wanted)]
    for first in range(0, len(ids), AT_ONCE):
        some = ids[first : first + AT_ONCE]
        with tenancy.reading(actor):
            found = {row[0]: row for row in _all(rows_sql, wanted, some)}
        yield from (found[one] for one in some)


def _all(sql: str, wanted: Range, ids: Sequence[UUID] = ()) -> list[tuple[Any, ...]]:
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "since": wanted.since,
        "until": wanted.until,
        "ids": list(ids),
    }
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return list(cursor.fetchall())
