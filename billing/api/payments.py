"""The API of money received, of what it settles, and of what is open. Amounts are decimals in strings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

import accounts.queries
from accounts import clock, tenancy
from accounts.doors import OperatorView, RowsView, Sent, add_sent, one_or_many, sent_by, version_tag
from accounts.doors.versions import VersionedRowView
from accounts.permissions import Permission
from billing.api.amounts import Amount
from billing.api.days import day_asked, day_parameter
from billing.commands.allocating import allocate_credit, allocate_payment
from billing.commands.payments import (
    METHODS,
    MOST_EXTERNAL_ID,
    MOST_REFERENCE,
    NewPayment,
    record_payments,
)
from billing.models import Allocation, Document, Payment
from billing.queries import ageing, refunds, settling
from billing.queries.feed.versions import version_of
from billing.queries.settling import Money, Standing
from billing.rules.ageing import Band
from billing.rules.documents import amount_text


class AllocationSent(Sent):
    document = serializers.CharField(max_length=40, help_text="The number of an invoice or opening debt.")
    amount = serializers.DecimalField(20, 4)


class AllocationsSent(Sent):
    allocations = AllocationSent(many=True, allow_empty=False)


class PaymentSent(Sent):
    customer = serializers.UUIDField()
    received_on = serializers.DateField()
    amount = serializers.DecimalField(20, 4)
    currency = serializers.CharField(
        max_length=3, required=False, help_text="ISO 4217; the operator's unless given."
    )
    method = serializers.ChoiceField(METHODS, required=False)
    reference = serializers.CharField(max_length=MOST_REFERENCE, required=False, allow_blank=True)
    external_id = serializers.CharField(
        max_length=MOST_EXTERNAL_ID,
        required=False,
        help_text="The bank's own name of it: sent again, nothing is recorded twice.",
    )
    legal_entity = serializers.CharField(
        max_length=10, required=False, help_text="The code of whose bank it came to, if no document says so."
    )
    allocations = AllocationSent(many=True, required=False, help_text="What it settles; the rest is kept.")


class AllocationShown(serializers.Serializer[dict[str, Any]]):
    id = serializers.UUIDField()
    document = serializers.CharField()
    amount = Amount(help_text="Below zero where it undoes another.")
    made_on = serializers.DateField()
    undoes = serializers.UUIDField(allow_null=True, help_text="The allocation that it undoes.")


class PaymentShown(serializers.Serializer[dict[str, Any]]):
    id = serializers.UUIDField()
    customer = serializers.UUIDField()
    legal_entity = serializers.UUIDField(
        allow_null=True, help_text="Whose bank it came to; null for the operator in its own name."
    )
    received_on = serializers.DateField()
    amount = Amount()
    refunded = Amount(help_text="What of it was paid back, or taken back by the bank.")
    returned_on = serializers.DateField(allow_null=True, help_text="When the bank took it back; else null.")
    left = Amount(help_text="What settles nothing yet and is kept for the customer.")
    currency = serializers.CharField()
    method = serializers.ChoiceField(METHODS)
    reference = serializers.CharField()
    external_id = serializers.CharField()
    recorded_at = serializers.DateTimeField()
    allocations = AllocationShown(
        many=True, help_text="What it settles and settled. What was undone stays, with a row that undoes it."
    )


class OpenDocumentShown(serializers.Serializer[dict[str, Any]]):
    number = serializers.CharField()
    kind = serializers.ChoiceField(["invoice", "credit_note", "opening"])
    customer = serializers.UUIDField()
    issued_on = serializers.DateField()
    due_on = serializers.DateField()
    currency = serializers.CharField()
    po_number = serializers.CharField()
    payable = Amount()
    settled = Amount()
    left = Amount(help_text="What is still owed; of a credit note, what it may still settle.")


class AgedShown(serializers.Serializer[dict[str, Any]]):
    currency = serializers.CharField()
    not_due = Amount()
    days_1_30 = Amount()
    days_31_60 = Amount()
    days_61_90 = Amount()
    days_over_90 = Amount()
    credit = Amount(help_text="Left of credit notes and of money received.")
    balance = Amount(help_text="What is owed less the credit.")


class DebtorShown(serializers.Serializer[dict[str, Any]]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    owes = AgedShown(many=True, help_text="By currency; empty for nothing.")


class PaymentFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    received_from = filters.DateFilter("received_on", lookup_expr="gte")
    received_to = filters.DateFilter("received_on", lookup_expr="lte")
    external_id = filters.CharFilter("external_id")


class Payments(RowsView):
    permissions = {"GET": Permission.PAYMENTS_READ, "POST": Permission.PAYMENTS_RECORD}
    serializer_class = PaymentShown
    filterset_class = PaymentFilter
    ordering = ("id",)
    needs_key = True

    def rows(self) -> QuerySet[Payment]:
        return settling.payments()

    def shown(self, page: Sequence[Payment]) -> Sequence[Any]:
        return shown_payments(page)

    @extend_schema(
        request=one_or_many(PaymentSent), responses={201: one_or_many(PaymentShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Record a payment, or a list of them: all or none. One whose external_id is known is not recorded again."""
        return add_sent(request, PaymentSent, PaymentShown, self._record)

    def _record(self, rows: list[dict[str, Any]]) -> Sequence[Any]:
        made = record_payments(actor=self.actor, payments=[_new(row) for row in rows])
        with tenancy.reading(self.actor):
            return shown_payments(made)


class PaymentDoor(VersionedRowView):
    """One payment with what it settles."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = PaymentShown
    kind = "payment"

    def row(self, payment_id: Any) -> Any:  # type: ignore[override]
        return shown_payments([settling.get_payment(payment_id)])[0]

    def tag_of(self, row: dict[str, Any]) -> str:
        return version_tag(self.kind, row["id"], version_of(self.kind, row["id"]))


class PaymentAllocations(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = PaymentShown
    http_method_names = ["post"]
    needs_key = True

    @extend_schema(request=AllocationsSent, responses={201: PaymentShown})
    def post(self, request: Request, payment_id: Any) -> Response:
        """Let what is kept of a payment settle documents of its customer."""
        asked = _pairs(sent_by(request, AllocationsSent)["allocations"])
        payment = allocate_payment(actor=self.actor, payment_id=payment_id, allocations=asked)
        with tenancy.reading(self.actor):
            data = shown_payments([payment])[0]
        return Response(self.get_serializer(data).data, status=201)


class AllocationsShown(serializers.Serializer[dict[str, Any]]):
    allocations = AllocationShown(many=True)


class CreditNoteAllocations(OperatorView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.PAYMENTS_RECORD}
    serializer_class = OpenDocumentShown
    needs_key = True

    @extend_schema(responses={200: AllocationsShown})
    def get(self, request: Request, credit_note: str) -> Response:
        """What a credit note settles and settled. What was undone stays, with a row that undoes it."""
        with tenancy.reading(self.actor):
            note = refunds.get_credit(credit_note)
            rows = [_allocation(row, note.currency) for row in refunds.allocations_of_credit(note.id)]
        return Response(AllocationsShown({"allocations": rows}).data)

    @extend_schema(request=AllocationsSent, responses={201: OpenDocumentShown})
    def post(self, request: Request, credit_note: str) -> Response:
        """Let what is left of a credit note settle other documents of its customer."""
        asked = _pairs(sent_by(request, AllocationsSent)["allocations"])
        note = allocate_credit(actor=self.actor, credit_note=credit_note, allocations=asked)
        return Response(self.get_serializer(shown_standing(note)).data, status=201)


class OpenDocumentFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    currency = filters.CharFilter("currency")


class OpenDocuments(RowsView):
    """The documents of which something is left, credit notes among them; the earliest first."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = OpenDocumentShown
    filterset_class = OpenDocumentFilter
    ordering = ("issued_on", "id")

    def rows(self) -> QuerySet[Document]:
        return settling.open_rows()

    def shown(self, page: Sequence[Document]) -> Sequence[Any]:
        standing = {one.id: one for one in settling.standings(ids=[row.id for row in page])}
        return [shown_standing(standing[row.id]) for row in page]


@extend_schema_view(
    get=extend_schema(parameters=[day_parameter("at", "As it was at the end of this day; left out, today.")])
)
class Debtors(RowsView):
    """The debtors' ageing: what each customer owes, by how many days it is past due."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = DebtorShown
    ordering = ("code",)

    def query_names(self, method: str) -> frozenset[str]:
        return super().query_names(method) | {"at"}

    def rows(self) -> QuerySet[Any]:
        return ageing.debtors()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        at = day_asked(self.request, "at") or clock.today(accounts.queries.get_operator().zone)
        found = ageing.ageing(at=at, customer_ids=[row.id for row in page])
        owes = {debtor.id: [_aged(row) for row in debtor.rows] for debtor in found}
        return [
            {"id": row.id, "code": row.code, "name": row.name, "owes": owes.get(row.id, [])} for row in page
        ]


def shown_payments(payments: Sequence[Payment]) -> list[dict[str, Any]]:
    """Inside the scope: payments with what they settle."""
    allocations = settling.allocations_of_payments([payment.id for payment in payments])
    return [_payment(money, allocations[money.payment.id]) for money in settling.standing_of(payments)]


def _payment(money: Money, allocations: Sequence[Any]) -> dict[str, Any]:
    payment = money.payment
    names = ("id", "received_on", "currency", "method", "reference", "external_id", "recorded_at")
    return {
        **{name: getattr(payment, name) for name in names},
        "customer": payment.customer_id,
        "legal_entity": payment.legal_entity_id,
        "amount": amount_text(payment.amount, payment.currency),
        "refunded": amount_text(money.refunded, payment.currency),
        "returned_on": money.returned_on,
        "left": amount_text(money.left, payment.currency),
        "allocations": [_allocation(row, payment.currency) for row in allocations],
    }


def _allocation(row: Allocation, currency: str) -> dict[str, Any]:
    return {
        "id": row.id,
        "document": row.document.number,
        "amount": amount_text(row.amount, currency),
        "made_on": row.made_on,
        "undoes": row.undoes_id,
    }


def shown_standing(one: Standing) -> dict[str, Any]:
    """A document as it stands, with amounts as text."""
    names = ("number", "kind", "issued_on", "due_on", "currency", "po_number")
    return {
        **{name: getattr(one, name) for name in names},
        "customer": one.customer_id,
        **{name: amount_text(getattr(one, name), one.currency) for name in ("payable", "settled", "left")},
    }


def _aged(row: Any) -> dict[str, Any]:
    return {
        "currency": row.currency,
        **{str(band): amount_text(row.bands[band], row.currency) for band in Band},
        "credit": amount_text(row.credit, row.currency),
        "balance": amount_text(row.balance, row.currency),
    }


def _new(row: dict[str, Any]) -> NewPayment:
    rest = {name: value for name, value in row.items() if name not in {"customer", "allocations"}}
    return NewPayment(customer_id=row["customer"], allocations=_pairs(row.get("allocations", ())), **rest)


def _pairs(rows: Sequence[dict[str, Any]]) -> list[tuple[str, Any]]:
    return [(row["document"], row["amount"]) for row in rows]
