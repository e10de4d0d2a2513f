"""The API of customers' statements of account."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

import accounts.queries
from accounts import clock, tenancy
from accounts.doors import OperatorView
from accounts.permissions import Permission
from billing.api.days import day_asked, day_parameter
from billing.queries import statement
from billing.queries.statement import Row, Statement
from billing.rules.documents import amount_text

STATEMENT_DAYS = 90


class StatementRowShown(serializers.Serializer[Row]):
    on = serializers.DateField()
    kind = serializers.CharField(help_text="invoice, credit_note, opening, payment, refund or return.")
    number = serializers.CharField(help_text="Of the document; of a payment or refund its reference.")
    text = serializers.CharField()
    amount = serializers.CharField(help_text="Above nothing where the customer owes more by it.")
    balance = serializers.CharField()
    id = serializers.UUIDField()


class StatementShown(serializers.Serializer[Statement]):
    """A customer's account over the days [since, until], both included, in one currency."""

    customer = serializers.UUIDField()
    currency = serializers.CharField()
    since = serializers.DateField()
    until = serializers.DateField()
    opening = serializers.CharField(help_text="The balance before.")
    rows = StatementRowShown(many=True)
    closing = serializers.CharField()

    def to_representation(self, told: Statement) -> dict[str, Any]:
        def text(amount: Decimal) -> str:
            return amount_text(amount, told.currency)

        return {
            "customer": str(told.customer_id),
            "currency": told.currency,
            "since": str(told.since),
            "until": str(told.until),
            "opening": text(told.opening),
            "rows": [
                {
                    "on": str(row.on),
                    "kind": row.kind,
                    "number": row.number,
                    "text": row.text,
                    "amount": text(row.amount),
                    "balance": text(row.balance),
                    "id": str(row.id),
                }
                for row in told.rows
            ],
            "closing": text(told.closing),
        }


class CustomerStatement(OperatorView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = StatementShown
    http_method_names = ["get", "head"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset({"since", "until", "currency"})

    @extend_schema(
        parameters=[
            day_parameter("since", f"The first day; {STATEMENT_DAYS} days before the last unless given."),
            day_parameter("until", "The last day; today unless given."),
            OpenApiParameter("currency", str, description="ISO 4217; the operator's unless given."),
        ]
    )
    def get(self, request: Request, customer_id: UUID) -> Response:
        """A customer's statement of account: the balance before, what moved it day by day, and the balance after."""
        with tenancy.reading(self.actor):
            until = day_asked(request, "until") or clock.today(accounts.queries.get_operator().zone)
            since = day_asked(request, "since") or until - timedelta(days=STATEMENT_DAYS)
            currency = request.query_params.get("currency", "")
            told = statement.statement(customer_id, since=since, until=until, currency=currency)
        return Response(StatementShown(told).data)
