"""What is left of documents and of customers' money, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import F, Max, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.expressions import RawSQL
from django.db.models.functions import Coalesce

from accounts.errors import NotFound
from accounts.languages import _
from accounts.tenancy import SCOPE_SQL, current_operator_id
from billing.models import Allocation, Document, NumberSeries, Payment, Refund

ENDLESS = date.max


@dataclass(frozen=True, slots=True)
class Standing:
    """A document as it stands: ``payable`` in all, ``settled`` of it so far.

    Of a credit note ``settled`` is what it settled, or what of it was paid back.
    """

    id: UUID
    number: str
    kind: str
    customer_id: UUID
    legal_entity_id: UUID | None
    issued_on: date
    due_on: date
    currency: str
    po_number: str
    payable: Decimal
    settled: Decimal

    @property
    def left(self) -> Decimal:
        """What the customer still owes of it; of a credit note, what it may still settle."""
        return self.payable - self.settled

    @property
    def is_credit(self) -> bool:
        return self.kind == "credit_note"


# The rounding of a cash total is an entry of its own, found by its key, whose first line is the receivable.
_STANDING = """
WITH documents AS (
    SELECT id, number, kind, customer_id, legal_entity_id, issued_on, due_on, currency, po_number, total, document_sha256
    FROM billing_document d
    WHERE d.operator_id = %(operator)s AND d.issued_on <= %(at)s AND {which}
), used AS (
    SELECT id, sum(amount) AS amount FROM (
        SELECT a.document_id AS id, a.amount
        FROM documents d JOIN billing_allocation a ON a.document_id = d.id
        WHERE a.operator_id = %(operator)s AND a.made_on <= %(at)s
        UNION ALL
        SELECT a.credit_note_id, a.amount
        FROM documents d JOIN billing_allocation a ON a.credit_note_id = d.id
        WHERE a.operator_id = %(operator)s AND a.made_on <= %(at)s AND d.kind = 'credit_note'
        UNION ALL
        SELECT r.credit_note_id, r.amount
        FROM documents d JOIN billing_refund r ON r.credit_note_id = d.id
        WHERE r.operator_id = %(operator)s AND r.paid_on <= %(at)s AND d.kind = 'credit_note'
    ) AS parts GROUP BY 1
)
SELECT d.id, d.number, d.kind, d.customer_id, d.legal_entity_id, d.issued_on, coalesce(d.due_on, d.issued_on) AS due_on, d.currency,
    d.po_number, d.total + coalesce(CASE d.kind WHEN 'credit_note' THEN l.credit - l.debit ELSE l.debit - l.credit END, 0) AS payable,
    coalesce(u.amount, 0) AS settled
FROM documents d
LEFT JOIN used u ON u.id = d.id
LEFT JOIN billing_journalentry e ON e.operator_id = %(operator)s
    AND e.key = encode(sha256(convert_to(d.document_sha256 || ':rounding', 'UTF8')), 'hex')
LEFT JOIN billing_journalline l ON l.operator_id = %(operator)s AND l.entry_id = e.id AND l.line = 1
"""


def standings(
    *,
    customer_ids: Collection[UUID] | None = None,
    ids: Collection[UUID] | None = None,
    numbers: Collection[str] | None = None,
    at: date = ENDLESS,
    only_open: bool = False,
) -> list[Standing]:
    """Every document issued up to a day, or those of customers or named, as it stands at that day; the oldest due first."""
    which = ["true"]
    if customer_ids is not None:
        which.append("d.customer_id = ANY(%(customers)s)")
    if ids is not None:
        which.append("d.id = ANY(%(ids)s)")
    if numbers is not None:
        which.append("d.number = ANY(%(numbers)s)")
    values: dict[str, Any] = {
        "operator": current_operator_id(),
        "customers": list(customer_ids or ()),
        "ids": list(ids or ()),
        "numbers": list(numbers or ()),
        "at": at,
    }
    with connection.cursor() as cursor:
        standing = _STANDING.format(which=" AND ".join(which))
        still = " WHERE payable <> settled" if only_open else ""
        cursor.execute(f"SELECT * FROM ({standing}) AS standing{still} ORDER BY due_on, number", values)
        return [Standing(*row) for row in cursor.fetchall()]


def open_documents(*, customer_ids: Collection[UUID] | None = None, at: date = ENDLESS) -> list[Standing]:
    """What is left of documents at a day, the oldest due first: debts, and credit notes that have something left."""
    return standings(customer_ids=customer_ids, at=at, only_open=True)


def open_rows() -> QuerySet[Document]:
    """The rows of the documents of which something is left, without their content, for a list in pages."""
    standing = (
        _STANDING.format(which="true")
        .replace("%(operator)s", SCOPE_SQL)
        .replace("%(at)s", "'infinity'::date")
    )
    still = RawSQL(f"SELECT id FROM ({standing}) AS standing WHERE payable <> settled", [])  # noqa: S611 - no values in it
    return Document.objects.defer("document", "ubl").filter(id__in=still)


def open_debts(*, customer_ids: Collection[UUID] | None = None, at: date = ENDLESS) -> list[Standing]:
    """The open documents without the credit notes."""
    return [one for one in open_documents(customer_ids=customer_ids, at=at) if not one.is_credit]


def debts_by_number(numbers: Collection[str]) -> dict[str, Standing]:
    """Of these numbers the invoices and opening debts, as they stand; what has another number is left out."""
    return {one.number: one for one in standings(numbers=numbers) if not one.is_credit} if numbers else {}


@dataclass(frozen=True, slots=True)
class Money:
    """A payment as it stands: what of it settles documents, what left again; the rest is kept for its customer.

    ``refunded`` was paid back, or taken back by the bank: then ``returned_on`` says when.
    """

    payment: Payment
    settled: Decimal
    refunded: Decimal = Decimal(0)
    returned_on: date | None = None

    @property
    def left(self) -> Decimal:
        return self.payment.amount - self.settled - self.refunded


def payments() -> QuerySet[Payment]:
    """Every payment, in the order they were recorded."""
    return Payment.objects.select_related("customer").order_by("id")


def payments_named(external_ids: Collection[str]) -> QuerySet[Payment]:
    """The payments recorded under these names of the bank or the payer."""
    return payments().filter(external_id__in=external_ids)


def get_payment(payment_id: UUID) -> Payment:
    payment = payments().filter(id=payment_id).first()
    if payment is None:
        raise NotFound(_("There is no payment here with this id."))
    return payment


def standing_of(rows: Sequence[Payment], at: date = ENDLESS) -> list[Money]:
    """These payments, each with what of it settled documents, and what left again, up to a day."""
    ids = [row.id for row in rows]
    settled = dict(
        Allocation.objects.filter(payment__in=ids, made_on__lte=at)
        .order_by()
        .values("payment_id")
        .annotate(amount=Sum("amount"))
        .values_list("payment_id", "amount")
    )
    left_again = Refund.objects.filter(payment__in=ids, paid_on__lte=at).order_by().values("payment_id")
    refunded = {
        row["payment_id"]: (row["amount"], row["returned_on"])
        for row in left_again.annotate(
            amount=Sum("amount"), returned_on=Max("paid_on", filter=Q(kind="return"))
        )
    }
    nothing = (Decimal(0), None)
    return [Money(row, settled.get(row.id, Decimal(0)), *refunded.get(row.id, nothing)) for row in rows]


def kept_money(*, customer_ids: Collection[UUID] | None = None, at: date = ENDLESS) -> list[Money]:
    """The payments of which something neither settles a document nor left again at a day."""
    settled = _sum_of(Allocation.objects.filter(payment_id=OuterRef("id"), made_on__lte=at))
    refunded = _sum_of(Refund.objects.filter(payment_id=OuterRef("id"), paid_on__lte=at))
    rows = payments().filter(received_on__lte=at).alias(used=settled + refunded)
    rows = rows.exclude(amount=F("used"))
    return standing_of(list(rows if customer_ids is None else rows.filter(customer_id__in=customer_ids)), at)


def _sum_of(rows: QuerySet[Any]) -> Coalesce:
    """What rows of an outer payment come to, as a part of a query."""
    sums = rows.order_by().values("payment_id").annotate(sum=Sum("amount")).values("sum")
    return Coalesce(Subquery(sums), Decimal(0))


def allocations() -> QuerySet[Allocation]:
    """What settles what, in the order it was allocated."""
    return Allocation.objects.select_related("document", "payment", "credit_note").order_by("id")


def allocations_of_payments(payment_ids: Collection[UUID]) -> dict[UUID, list[Allocation]]:
    """What each of these payments settles and settled: every row, also what was undone and what undoes it."""
    found: dict[UUID | None, list[Allocation]] = {payment_id: [] for payment_id in payment_ids}
    for row in allocations().filter(payment_id__in=payment_ids).defer("document__document"):
        found[row.payment_id].append(row)
    return {payment_id: found[payment_id] for payment_id in payment_ids}


def settlements_of(document_id: UUID) -> list[Allocation]:
    """What settled a document: payments and credit notes, the earliest first."""
    return list(allocations().filter(document_id=document_id).order_by("made_on", "id"))


def opening_debts() -> QuerySet[Document]:
    """The debts that were open when the operator joined."""
    return Document.objects.filter(kind="opening").select_related("customer").order_by("number")


def numbers_in(numbers: Collection[str]) -> set[str]:
    """Which of these numbers documents have."""
    return set(Document.objects.filter(number__in=numbers).values_list("number", flat=True))


def number_series() -> QuerySet[NumberSeries]:
    """The series that documents get their numbers of, by code."""
    return NumberSeries.objects.select_related("legal_entity").order_by("code")


def next_numbers() -> dict[str, int]:
    """By a series' code the number that it draws next."""
    return dict(NumberSeries.objects.values_list("code", "next"))
