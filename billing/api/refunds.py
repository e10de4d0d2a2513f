"""The API of money that left again: refunds, returned payments, and what no longer settles a document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.doors.versions import VersionedRowView
from accounts.permissions import Permission
from billing.api.amounts import Amount
from billing.api.payments import OpenDocumentShown, PaymentShown, shown_payments, shown_standing
from billing.commands.payments import METHODS, MOST_EXTERNAL_ID, MOST_REFERENCE
from billing.commands.refunding import NewRefund, record_refunds
from billing.commands.returning import release_allocation, return_payment
from billing.models import Refund
from billing.queries import refunds, settling
from billing.rules.documents import amount_text

KINDS = {"refund": "paid back to the customer", "return": "a payment taken back by the bank"}
ONCE = "The bank's or your own name of it: sent again, nothing is recorded twice."


class RefundSent(Sent):
    payment = serializers.UUIDField(required=False, help_text="The payment that it is paid back of, or")
    credit_note = serializers.CharField(
        max_length=40, required=False, help_text="the number of the credit note: one of the two."
    )
    amount = serializers.DecimalField(
        20, 4, help_text="In the currency of what it is paid back of; at most what is left of that."
    )
    paid_on = serializers.DateField()
    method = serializers.ChoiceField(METHODS, required=False)
    reference = serializers.CharField(max_length=MOST_REFERENCE, required=False, allow_blank=True)
    external_id = serializers.CharField(max_length=MOST_EXTERNAL_ID, required=False, help_text=ONCE)


class ReturnSent(Sent):
    returned_on = serializers.DateField()
    reason = serializers.CharField(
        max_length=MOST_REFERENCE, required=False, allow_blank=True, help_text="As the bank gives it."
    )
    external_id = serializers.CharField(max_length=MOST_EXTERNAL_ID, required=False, help_text=ONCE)


class RefundShown(serializers.Serializer[Refund]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField(
        list(KINDS), help_text="; ".join(f"{kind}: {words}" for kind, words in KINDS.items())
    )
    customer = serializers.UUIDField(source="customer_id")
    legal_entity = serializers.UUIDField(
        source="legal_entity_id",
        allow_null=True,
        help_text="Whose bank it left; null for the operator in its own name.",
    )
    payment = serializers.UUIDField(source="payment_id", allow_null=True)
    credit_note = serializers.CharField(
        source="credit_note.number", default="", help_text="Its number; empty for what a payment kept."
    )
    paid_on = serializers.DateField()
    amount = Amount()
    currency = serializers.CharField()
    method = serializers.ChoiceField(METHODS)
    reference = serializers.CharField(help_text="Of a returned payment the reason.")
    external_id = serializers.CharField()
    recorded_at = serializers.DateTimeField()

    def to_representation(self, refund: Refund) -> dict[str, Any]:
        shown = super().to_representation(refund)
        return {**shown, "amount": amount_text(refund.amount, refund.currency)}


class RefundFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    payment = filters.UUIDFilter("payment_id")
    credit_note = filters.CharFilter("credit_note__number", help_text="Its number.")
    kind = filters.ChoiceFilter(choices=list(KINDS.items()))
    paid_from = filters.DateFilter("paid_on", lookup_expr="gte")
    paid_to = filters.DateFilter("paid_on", lookup_expr="lte")
    external_id = filters.CharFilter("external_id")


class Refunds(RowsView):
    """Money paid back to customers, and payments that the bank took back, in the order they were recorded."""

    permissions = {"GET": Permission.PAYMENTS_READ, "POST": Permission.PAYMENTS_RECORD}
    serializer_class = RefundShown
    filterset_class = RefundFilter
    ordering = ("id",)
    needs_key = True

    def rows(self) -> QuerySet[Refund]:
        return refunds.refunds()

    @extend_schema(request=one_or_many(RefundSent), responses={201: one_or_many(RefundShown)}, filters=False)
    def post(self, request: Request) -> Response:
        """Record money paid back, or a list of it: all or none. One whose external_id is known is not recorded again."""
        return add_sent(request, RefundSent, RefundShown, self._record)

    def _record(self, rows: list[dict[str, Any]]) -> Sequence[Any]:
        made = record_refunds(actor=self.actor, refunds=[_new(row) for row in rows])
        with tenancy.reading(self.actor):
            found = {row.id: row for row in refunds.refunds().filter(id__in=[one.id for one in made])}
        return [found[one.id] for one in made]


class RefundDoor(VersionedRowView):
    """One refund, or one returned payment."""

    permissions = {"GET": Permission.PAYMENTS_READ}
    serializer_class = RefundShown
    kind = "refund"

    def row(self, refund_id: Any) -> Refund:  # type: ignore[override]
        return refunds.get_refund(refund_id)


class PaymentReturn(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = PaymentShown
    http_method_names = ["post"]
    needs_key = True

    @extend_schema(request=ReturnSent, responses={201: PaymentShown})
    def post(self, request: Request, payment_id: Any) -> Response:
        """Take a payment back that the bank took back: what it settled is open again. The same again changes nothing."""
        return_payment(actor=self.actor, payment_id=payment_id, **sent_by(request, ReturnSent))
        return Response(self.get_serializer(_payment(self, payment_id)).data, status=201)


class PaymentAllocationRelease(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = PaymentShown
    http_method_names = ["post"]
    needs_key = True

    @extend_schema(request=None, responses={201: PaymentShown})
    def post(self, request: Request, payment_id: Any, allocation_id: Any) -> Response:
        """Undo what a payment settles of one document; its money is kept for the customer again."""
        release_allocation(actor=self.actor, allocation_id=allocation_id, payment_id=payment_id)
        return Response(self.get_serializer(_payment(self, payment_id)).data, status=201)


class CreditNoteAllocationRelease(OperatorView):
    permissions = {"POST": Permission.PAYMENTS_RECORD}
    serializer_class = OpenDocumentShown
    http_method_names = ["post"]
    needs_key = True

    @extend_schema(request=None, responses={201: OpenDocumentShown})
    def post(self, request: Request, credit_note: str, credit_allocation_id: Any) -> Response:
        """Undo what a credit note settles of one document; the credit is open again."""
        release_allocation(actor=self.actor, allocation_id=credit_allocation_id, credit_note=credit_note)
        with tenancy.reading(self.actor):
            data = shown_standing(refunds.get_credit(credit_note))
        return Response(self.get_serializer(data).data, status=201)


def _payment(view: OperatorView, payment_id: Any) -> dict[str, Any]:
    with tenancy.reading(view.actor):
        return shown_payments([settling.get_payment(payment_id)])[0]


def _new(row: dict[str, Any]) -> NewRefund:
    rest = {name: value for name, value in row.items() if name != "payment"}
    return NewRefund(payment_id=row.get("payment"), **rest)
