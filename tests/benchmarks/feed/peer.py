"""The same page of changes as one statement, its JSON built by PostgreSQL: the least that an answer can cost."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import psycopg

# Amounts are in euros here. Lists are gathered by the keys of each row, which the tables have indexes for.
PAGE = """
SELECT coalesce(json_agg(json_build_object(
    'kind', c.kind, 'id', c.object_id, 'version', c.version, 'gone', c.gone, 'changed_at', c.changed_at,
    'object', CASE c.kind
        WHEN 'customer' THEN (
            SELECT json_build_object('id', o.id, 'code', o.code, 'name', o.name, 'country', o.country,
                'billing_email', o.billing_email, 'address', o.address, 'billing_profile', json_build_object(
                    'bill_to', p.bill_to_id, 'street', coalesce(p.street, ''), 'city', coalesce(p.city, ''),
                    'postcode', coalesce(p.postcode, ''), 'subdivision', coalesce(p.subdivision, ''),
                    'vat_id', coalesce(p.vat_id, ''), 'buyer_reference', coalesce(p.buyer_reference, ''),
                    'tax_treatment', coalesce(p.tax_treatment, 'standard'),
                    'tax_jurisdiction', coalesce(p.tax_jurisdiction, ''),
                    'exemption_reason', coalesce(p.exemption_reason, ''), 'payment_days', p.payment_days,
                    'po_required', coalesce(p.po_required, false), 'line_pos', coalesce(p.line_pos, false),
                    'delivery', coalesce(p.delivery, 'email'), 'invoice_minimum', p.invoice_minimum::text),
                'external_ids', coalesce((SELECT json_object_agg(x.system, x.external_id) FROM billing_externalid x
                    WHERE x.operator_id = c.operator_id AND x.kind = 'customer' AND x.object_id = o.id), '{}'))
            FROM accounts_customer o LEFT JOIN billing_billingprofile p
                ON p.operator_id = o.operator_id AND p.customer_id = o.id
            WHERE o.operator_id = c.operator_id AND o.id = c.object_id)
        WHEN 'invoice' THEN (
            SELECT json_build_object('kind', d.kind, 'id', d.id, 'number', d.number, 'customer', d.customer_id,
                'legal_entity', d.legal_entity_id, 'month_close', d.close_id, 'issued_on', d.issued_on, 'due_on', d.due_on,
                'currency', d.currency, 'minor_units', 2, 'net', round(d.net, 2)::text, 'tax', round(d.tax, 2)::text,
                'total', round(d.total, 2)::text, 'cash_rounding', said.cash_rounding, 'payable', said.payable,
                'rounding_policy', said.rounding ->> 'policy', 'tax_groups', said.tax_groups,
                'purchase_order', d.po_number, 'corrects', d.corrects_id, 'document_sha256', d.document_sha256,
                'previous_sha256', d.previous_sha256, 'ubl_sha256', d.ubl_sha256)
            FROM billing_document d, jsonb_to_record(d.document)
                AS said(tax_groups jsonb, rounding jsonb, cash_rounding text, payable text)
            WHERE d.operator_id = c.operator_id AND d.id = c.object_id)
        WHEN 'journal_entry' THEN (
            SELECT json_build_object('id', e.id, 'ordinal', e.ordinal, 'key', e.key, 'purpose', e.purpose,
                'entry_on', e.entry_on, 'legal_entity', coalesce(l.code, ''), 'customer', coalesce(o.code, ''),
                'document', coalesce(d.number, ''), 'payment', coalesce(e.payment_id::text, ''),
                'refund', coalesce(e.refund_id::text, ''), 'text', e.text, 'currency', e.currency, 'lines', (
                    SELECT json_agg(json_build_object('line', j.line, 'account', j.account, 'external_account', '',
                        'site', coalesce(s.code, ''), 'jurisdiction', j.jurisdiction, 'debit', round(j.debit, 2)::text,
                        'credit', round(j.credit, 2)::text) ORDER BY j.line)
                    FROM billing_journalline j
                    LEFT JOIN accounts_site s ON s.operator_id = j.operator_id AND s.id = j.site_id
                    WHERE j.operator_id = c.operator_id AND j.entry_id = e.id))
            FROM billing_journalentry e
            LEFT JOIN billing_legalentity l ON l.operator_id = e.operator_id AND l.id = e.legal_entity_id
            LEFT JOIN accounts_customer o ON o.operator_id = e.operator_id AND o.id = e.customer_id
            LEFT JOIN billing_document d ON d.operator_id = e.operator_id AND d.id = e.document_id
            WHERE e.operator_id = c.operator_id AND e.id = c.object_id)
        WHEN 'payment' THEN (
            SELECT json_build_object('id', y.id, 'customer', y.customer_id, 'legal_entity', y.legal_entity_id,
                'received_on', y.received_on, 'amount', round(y.amount, 2)::text,
                'refunded', round(coalesce(r.amount, 0), 2)::text, 'returned_on', r.returned_on,
                'left', round(y.amount - coalesce(r.amount, 0) - coalesce(a.amount, 0), 2)::text,
                'currency', y.currency, 'method', y.method, 'reference', y.reference, 'external_id', y.external_id,
                'recorded_at', y.recorded_at, 'allocations', coalesce(a.shown, '[]'))
            FROM billing_payment y
            LEFT JOIN LATERAL (
                SELECT sum(amount) AS amount, max(paid_on) FILTER (WHERE kind = 'return') AS returned_on
                FROM billing_refund WHERE operator_id = y.operator_id AND payment_id = y.id) r ON true
            LEFT JOIN LATERAL (
                SELECT sum(w.amount) AS amount, json_agg(json_build_object('id', w.id, 'document', d.number,
                    'amount', round(w.amount, 2)::text, 'made_on', w.made_on, 'undoes', w.undoes_id) ORDER BY w.id) AS shown
                FROM billing_allocation w JOIN billing_document d ON d.operator_id = w.operator_id AND d.id = w.document_id
                WHERE w.operator_id = y.operator_id AND w.payment_id = y.id) a ON true
            WHERE y.operator_id = c.operator_id AND y.id = c.object_id)
    END) ORDER BY c.position), '[]')::text
FROM (
    SELECT * FROM billing_change WHERE operator_id = %s AND position > %s ORDER BY position LIMIT %s
) c
"""


def page(superuser: psycopg.Connection[Any], operator_id: UUID, after: int, limit: int) -> str:
    """The text of the page, as PostgreSQL wrote it; as a superuser, whom no policy holds."""
    row = superuser.execute(PAGE, [operator_id, after, limit], prepare=True).fetchone()
    assert row is not None
    return str(row[0])


def comparable(changes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without what no table holds: tokens, tags, links and the reference made of a number. Moments are moments."""
    for change in changes:
        shown = change["object"]
        change.pop("token", None)
        for name in ("etag", "links", "payment_reference"):
            shown.pop(name, None)
        change["changed_at"] = datetime.fromisoformat(change["changed_at"])
        if "recorded_at" in shown:
            shown["recorded_at"] = datetime.fromisoformat(shown["recorded_at"])
    return changes
