"""What stored rows of money must obey: what came and left is booked, and no more of it is used than there is."""

from __future__ import annotations

from billing.queries.auditing.statements import Statement

MONEY_STATEMENTS = (
    Statement(
        6,
        "Payment {id}: {amount} {currency} came in, and {booked} of it are booked.",
        """
        SELECT p.id, p.amount, p.currency, coalesce(sum(l.debit), 0) AS booked
        FROM billing_payment p
        LEFT JOIN billing_journalentry e ON e.operator_id = p.operator_id
            AND e.key = encode(sha256(convert_to(p.id::text || ':payment', 'UTF8')), 'hex')
            AND e.entry_on = p.received_on AND e.currency = p.currency
        LEFT JOIN billing_journalline l ON (l.operator_id, l.entry_id) = (e.operator_id, e.id)
        WHERE p.operator_id = %(operator)s
        GROUP BY p.id, p.amount, p.currency HAVING p.amount <> coalesce(sum(l.debit), 0)
        """,
    ),
    Statement(
        6,
        "Refund {id}: {amount} {currency} left, and {booked} of it are booked.",
        """
        SELECT r.id, r.amount, r.currency, coalesce(sum(l.credit), 0) AS booked
        FROM billing_refund r
        LEFT JOIN billing_journalentry e ON e.operator_id = r.operator_id
            AND e.key = encode(sha256(convert_to(r.id::text || ':' || r.kind, 'UTF8')), 'hex')
            AND e.entry_on = r.paid_on AND e.currency = r.currency AND e.refund_id = r.id
        LEFT JOIN billing_journalline l ON (l.operator_id, l.entry_id) = (e.operator_id, e.id)
        WHERE r.operator_id = %(operator)s
        GROUP BY r.id, r.amount, r.currency HAVING r.amount <> coalesce(sum(l.credit), 0)
        """,
    ),
    Statement(
        9,
        "Payment {id}: {settled} settle documents and {refunded} left again, of {amount} {currency}.",
        """
        SELECT p.id, p.amount, p.currency, coalesce(a.amount, 0) AS settled, coalesce(r.amount, 0) AS refunded
        FROM billing_payment p
        LEFT JOIN (
            SELECT payment_id, sum(amount) AS amount FROM billing_allocation
            WHERE operator_id = %(operator)s AND payment_id IS NOT NULL GROUP BY 1
        ) a ON a.payment_id = p.id
        LEFT JOIN (
            SELECT payment_id, sum(amount) AS amount FROM billing_refund
            WHERE operator_id = %(operator)s AND payment_id IS NOT NULL GROUP BY 1
        ) r ON r.payment_id = p.id
        WHERE p.operator_id = %(operator)s
            AND (coalesce(a.amount, 0) < 0 OR coalesce(a.amount, 0) + coalesce(r.amount, 0) > p.amount)
        """,
    ),
    Statement(
        9,
        "Payment {id}: the bank took it back, and {settled} {currency} of it still settle documents.",
        """
        SELECT p.id, p.currency, sum(a.amount) AS settled
        FROM billing_refund r
        JOIN billing_payment p ON (p.operator_id, p.id) = (r.operator_id, r.payment_id)
        JOIN billing_allocation a ON (a.operator_id, a.payment_id) = (p.operator_id, p.id)
        WHERE r.operator_id = %(operator)s AND r.kind = 'return' GROUP BY p.id, p.currency HAVING sum(a.amount) <> 0
        """,
    ),
    Statement(
        9,
        "Allocation {id}: its {amount} undo {undone}, which is of another document or source.",
        """
        SELECT a.id, a.amount, b.amount AS undone
        FROM billing_allocation a JOIN billing_allocation b ON (b.operator_id, b.id) = (a.operator_id, a.undoes_id)
        WHERE a.operator_id = %(operator)s AND (
            a.amount <> -b.amount OR a.document_id <> b.document_id OR a.payment_id IS DISTINCT FROM b.payment_id
            OR a.credit_note_id IS DISTINCT FROM b.credit_note_id OR a.made_on < b.made_on OR b.undoes_id IS NOT NULL
        )
        """,
    ),
)
