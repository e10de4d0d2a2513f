"""How much of purchase orders is used, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from uuid import UUID

from django.db import connection
from django.db.models import Case, F, Q, Sum, When

from accounts.tenancy import current_operator_id
from billing.models import BillingProfile, Document, PurchaseOrder
from billing.queries import parties
from billing.rules.orders import OrderUse, use_of

# Orders by line stand only in what a document says; only payers that take them so have such documents.
_BY_LINE = """
SELECT d.customer_id, line->>'po', d.currency,
    sum((line->>'amount')::numeric * CASE d.kind WHEN 'credit_note' THEN -1 ELSE 1 END)
FROM billing_document d, jsonb_array_elements(d.document->'lines') AS line
WHERE d.operator_id = %s AND d.customer_id = ANY(%s) AND d.po_number = '' AND d.kind <> 'opening' AND line->>'po' <> ''
GROUP BY 1, 2, 3
"""


def order_uses(since: date, before: date) -> list[OrderUse]:
    """The purchase orders with a day of [since, before), by customer and number, each with what of it is used."""
    rows = PurchaseOrder.objects.filter(starts_on__lt=before)
    rows = rows.filter(Q(ends_before=None) | Q(ends_before__gt=since))
    valid = set(rows.values_list("id", flat=True))
    orders = [order for order in parties.purchase_orders() if order.id in valid]
    payers = dict(
        BillingProfile.objects.filter(bill_to__isnull=False).values_list("customer_id", "bill_to_id")
    )
    spent = _spent()
    return [
        use_of(order, spent[payers.get(order.customer_id, order.customer_id), order.number, order.currency])
        for order in orders
    ]


def _spent() -> dict[tuple[UUID, str, str], Decimal]:
    """Net by payer, order number and currency: what was invoiced, less what was given back."""
    found: dict[tuple[UUID, str, str], Decimal] = defaultdict(Decimal)
    for payer_id, number, currency, amount in (*_by_document(), *_by_line()):
        found[payer_id, number, currency] += amount
    return found


def _by_document() -> Iterator[tuple[UUID, str, str, Decimal]]:
    signed = Case(When(kind="credit_note", then=-F("net")), default=F("net"))
    rows = Document.objects.exclude(po_number="").exclude(kind="opening").order_by()
    rows = rows.values("customer_id", "po_number", "currency").annotate(used=Sum(signed))
    yield from rows.values_list("customer_id", "po_number", "currency", "used")


def _by_line() -> Iterator[tuple[UUID, str, str, Decimal]]:
    payers = list(BillingProfile.objects.filter(line_pos=True).values_list("customer_id", flat=True))
    if payers:
        with connection.cursor() as cursor:
            cursor.execute(_BY_LINE, [current_operator_id(), payers])
            yield from cursor.fetchall()
