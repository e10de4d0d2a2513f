"""The API of what is owed to the network: the terms, and the statements with the documents of their base."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import RowsView, RowView, Sent, sent_by
from accounts.errors import NotFound
from accounts.permissions import Permission
from billing.api.amounts import AMOUNT
from billing.commands.royalty import MOST_DECIMALS, MOST_NAME, set_royalty_terms, state_month
from billing.models import RoyaltyStatement, RoyaltyTerms
from billing.queries import royalty
from billing.rules.documents import amount_text
from billing.rules.royalty import Basis, Tier


class TierShown(serializers.Serializer[dict[str, Any]]):
    upto = serializers.CharField(allow_null=True, help_text="Where the tier ends; null: nowhere.")
    percent = serializers.CharField(help_text="Of the part of a month's base that lies in the tier.")


class RoyaltyTermsShown(serializers.Serializer[RoyaltyTerms]):
    id = serializers.UUIDField()
    effective_from = serializers.DateField(help_text="The first day of a month.")
    network_name = serializers.CharField()
    basis = serializers.ChoiceField(list(Basis))
    tiers = TierShown(many=True)
    minimum = serializers.SerializerMethodField()
    fund_percent = serializers.DecimalField(7, 4)
    currency = serializers.CharField(help_text="ISO 4217.")

    @extend_schema_field(AMOUNT)
    def get_minimum(self, terms: RoyaltyTerms) -> str:
        return amount_text(terms.minimum, terms.currency)


class TierSent(Sent):
    upto = serializers.DecimalField(
        20,
        MOST_DECIMALS,
        allow_null=True,
        help_text="Where the tier ends; null for the last, and only there.",
    )
    percent = serializers.DecimalField(7, MOST_DECIMALS, min_value=0, max_value=100)


class RoyaltyTermsSent(Sent):
    effective_from = serializers.DateField(help_text="The first day of a month that is not stated yet.")
    network_name = serializers.CharField(max_length=MOST_NAME)
    basis = serializers.ChoiceField(list(Basis))
    tiers = TierSent(many=True, help_text="Marginal, in order.")
    minimum = serializers.DecimalField(20, MOST_DECIMALS, min_value=0, required=False)
    fund_percent = serializers.DecimalField(7, MOST_DECIMALS, min_value=0, max_value=100, required=False)
    currency = serializers.CharField(
        max_length=3, required=False, help_text="Left out: the operator's own. It can't change later."
    )


class RoyaltyStatementShown(serializers.Serializer[RoyaltyStatement]):
    id = serializers.UUIDField()
    month = serializers.DateField(help_text="The first day of the month.")
    issued_on = serializers.DateField()
    currency = serializers.CharField()
    base = serializers.SerializerMethodField()
    carried_in = serializers.SerializerMethodField(help_text="Of the month before, never more than nothing.")
    carried_out = serializers.SerializerMethodField()
    royalty = serializers.SerializerMethodField()
    fund = serializers.SerializerMethodField()
    document_sha256 = serializers.CharField()
    previous_sha256 = serializers.CharField(help_text="Of the statement before; empty on the first.")

    @extend_schema_field(AMOUNT)
    def get_base(self, row: RoyaltyStatement) -> str:
        return amount_text(row.base, row.currency)

    @extend_schema_field(AMOUNT)
    def get_carried_in(self, row: RoyaltyStatement) -> str:
        return amount_text(row.carried_in, row.currency)

    @extend_schema_field(AMOUNT)
    def get_carried_out(self, row: RoyaltyStatement) -> str:
        return amount_text(row.carried_out, row.currency)

    @extend_schema_field(AMOUNT)
    def get_royalty(self, row: RoyaltyStatement) -> str:
        return amount_text(row.royalty, row.currency)

    @extend_schema_field(AMOUNT)
    def get_fund(self, row: RoyaltyStatement) -> str:
        return amount_text(row.fund, row.currency)


class RoyaltyDocumentShown(RoyaltyStatementShown):
    document = serializers.DictField(
        help_text="What the network got: the arithmetic by tiers, and each document of the base by number and amount."
    )


class RoyaltyStatementSent(Sent):
    month = serializers.DateField(help_text="The first day of the month.")


class RoyaltyTermsDoor(RowsView):
    """What was agreed with the network, from which month on."""

    permissions = {"GET": Permission.ROYALTY_READ, "POST": Permission.ROYALTY_MANAGE}
    serializer_class = RoyaltyTermsShown
    ordering = ("effective_from",)

    def rows(self) -> QuerySet[RoyaltyTerms]:
        return royalty.terms_rows()

    @extend_schema(request=RoyaltyTermsSent, responses={201: RoyaltyTermsShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Set the terms from a month on. Those set for that very month before give way."""
        sent = sent_by(request, RoyaltyTermsSent)
        tiers = [Tier(**tier) for tier in sent.pop("tiers")]
        row = set_royalty_terms(actor=self.actor, tiers=tiers, **{**sent, "basis": Basis(sent["basis"])})
        return Response(RoyaltyTermsShown(row).data, status=201)


class RoyaltyStatements(RowsView):
    permissions = {"GET": Permission.ROYALTY_READ, "POST": Permission.ROYALTY_MANAGE}
    recent = ("POST",)
    serializer_class = RoyaltyStatementShown
    ordering = ("-month",)

    def rows(self) -> QuerySet[RoyaltyStatement]:
        return royalty.statements()

    @extend_schema(request=RoyaltyStatementSent, responses={201: RoyaltyStatementShown}, filters=False)
    def post(self, request: Request) -> Response:
        """State a month that is over, the one after the last stated. A statement never changes."""
        row = state_month(actor=self.actor, month=sent_by(request, RoyaltyStatementSent)["month"])
        return Response(RoyaltyStatementShown(row).data, status=201)


class RoyaltyStatementDoor(RowView):
    """One statement with its document, by its month as year and month, such as 2026-06."""

    permissions = {"GET": Permission.ROYALTY_READ}
    serializer_class = RoyaltyDocumentShown

    def row(self, royalty_month: str) -> RoyaltyStatement:  # type: ignore[override]
        return royalty.get_statement(_month(royalty_month))


def _month(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month has no zone
    except ValueError:
        raise NotFound("There is no royalty statement here for this month.") from None
