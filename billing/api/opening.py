"""The API of what an operator brings with it: open debts, and the numbers that its documents go on with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.permissions import Permission
from billing.api.amounts import Amount
from billing.commands.opening import (
    MOST_NUMBER,
    MOST_PO_NUMBER,
    SERIES_KINDS,
    NewDebt,
    begin_series,
    record_opening_debts,
)
from billing.models import Document, NumberSeries
from billing.queries import settling
from billing.rules.documents import amount_text


class OpeningDebtSent(Sent):
    customer = serializers.UUIDField()
    number = serializers.CharField(max_length=MOST_NUMBER, help_text="Its number in the books before.")
    issued_on = serializers.DateField()
    due_on = serializers.DateField(required=False, help_text="Left out: due already.")
    amount = serializers.DecimalField(20, 4, help_text="What is left of it, with its tax.")
    currency = serializers.CharField(
        max_length=3, required=False, help_text="ISO 4217; the operator's unless given."
    )
    po_number = serializers.CharField(max_length=MOST_PO_NUMBER, required=False, allow_blank=True)
    legal_entity = serializers.CharField(
        max_length=10, required=False, help_text="The code of whose debtor it is; left out, the default one."
    )


class OpeningDebtShown(serializers.Serializer[dict[str, Any]]):
    id = serializers.UUIDField()
    number = serializers.CharField()
    customer = serializers.UUIDField()
    issued_on = serializers.DateField()
    due_on = serializers.DateField(allow_null=True)
    currency = serializers.CharField()
    amount = Amount()
    left = Amount()


class NumberSeriesSent(Sent):
    kind = serializers.ChoiceField(SERIES_KINDS)
    next_number = serializers.IntegerField(help_text="Above 1. It is set once, before the first is drawn.")
    legal_entity = serializers.CharField(
        max_length=10, required=False, help_text="Its code; left out, the default one."
    )


class NumberSeriesShown(serializers.Serializer[NumberSeries]):
    id = serializers.UUIDField()
    code = serializers.CharField(help_text="What its numbers begin with.")
    kind = serializers.ChoiceField(SERIES_KINDS)
    next_number = serializers.IntegerField(source="next")
    legal_entity = serializers.CharField(
        source="legal_entity.code", default="", help_text="Its code; empty for the operator in its own name."
    )


class OpeningDebts(RowsView):
    """The debts that were open when the operator joined."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.INVOICES_ISSUE}
    serializer_class = OpeningDebtShown
    ordering = ("number",)

    def rows(self) -> QuerySet[Document]:
        return settling.opening_debts()

    def shown(self, page: Sequence[Document]) -> Sequence[Any]:
        return _shown(page)

    @extend_schema(
        request=one_or_many(OpeningDebtSent), responses={201: one_or_many(OpeningDebtShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Take over one open debt, or a list of them: all or none."""
        return add_sent(request, OpeningDebtSent, OpeningDebtShown, self._record)

    def _record(self, rows: list[dict[str, Any]]) -> Sequence[Any]:
        debts = [NewDebt(customer_id=row.pop("customer"), **row) for row in map(dict, rows)]
        made = record_opening_debts(actor=self.actor, debts=debts)
        with tenancy.reading(self.actor):
            return _shown(made)


class AllNumberSeries(RowsView):
    """The series that documents get their numbers of."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.INVOICES_ISSUE}
    serializer_class = NumberSeriesShown
    ordering = ("code",)

    def rows(self) -> QuerySet[NumberSeries]:
        return settling.number_series()

    @extend_schema(request=NumberSeriesSent, responses={201: NumberSeriesShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Let a series go on from a number."""
        series = begin_series(actor=self.actor, **sent_by(request, NumberSeriesSent))
        return Response(NumberSeriesShown(series).data, status=201)


def _shown(debts: Sequence[Document]) -> list[dict[str, Any]]:
    left = {one.id: one.left for one in settling.standings(ids=[debt.id for debt in debts])}
    return [
        {
            **{name: getattr(debt, name) for name in ("id", "number", "issued_on", "due_on", "currency")},
            "customer": debt.customer_id,
            "amount": amount_text(debt.total, debt.currency),
            "left": amount_text(left[debt.id], debt.currency),
        }
        for debt in debts
    ]
