"""The API of why a charge is what it is."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from accounts.doors import RowView
from accounts.permissions import Permission
from billing.api.amounts import AMOUNT
from billing.api.closes import ChargeShown
from billing.queries import explaining
from billing.queries.explaining import EventBehind, Explanation, Place
from billing.rules.documents import amount_text


class EventBehindShown(serializers.Serializer[EventBehind]):
    event = serializers.UUIDField(source="event_id")
    type = serializers.CharField()
    subject = serializers.UUIDField(source="subject_id")
    occurred_at = serializers.DateTimeField()
    standing = serializers.CharField(help_text="effective, superseded or clock_ahead, as known now.")
    became = serializers.CharField(help_text="What the last close that knew it made of it, as a sentence.")


class ChargedPlaceShown(serializers.Serializer[Place]):
    month = serializers.DateField(help_text="The month at whose close this row was made.")
    kind = serializers.CharField()
    amount = serializers.CharField()
    number = serializers.CharField(help_text="The document it stands on; empty while it is open.")
    line = serializers.IntegerField()
    issued_on = serializers.DateField(allow_null=True)


class IndexShown(serializers.Serializer[dict[str, Any]]):
    code = serializers.CharField()
    month = serializers.CharField(help_text="YYYY-MM")
    base_month = serializers.CharField(help_text="YYYY-MM")
    prior_amount = serializers.CharField()
    cap = serializers.CharField(allow_null=True, help_text="Percent of the prior amount.")
    floor = serializers.CharField(allow_null=True, help_text="Percent of the prior amount.")
    decimals = serializers.IntegerField()


class PriceVersionShown(serializers.Serializer[dict[str, Any]]):
    id = serializers.UUIDField()
    amount = serializers.CharField(allow_null=True)
    currency = serializers.CharField()
    effective_from = serializers.DateField()
    effective_to = serializers.DateField(allow_null=True)
    scope = serializers.CharField(help_text="Of the price list, a contract, or a contract's site.")
    index = IndexShown(allow_null=True)


class ExplanationShown(serializers.Serializer[Explanation]):
    charge = ChargeShown()
    clause = serializers.CharField(help_text="The rule of the contract or the list, as a sentence.")
    price_version = PriceVersionShown(allow_null=True)
    events = EventBehindShown(many=True)
    arithmetic = serializers.ListField(child=serializers.CharField())
    standing = serializers.SerializerMethodField(help_text="The sum of all rows of the charge.")
    places = ChargedPlaceShown(many=True, help_text="Every row of the charge, the earliest close first.")
    sentences = serializers.ListField(child=serializers.CharField(), help_text="All of it in words.")

    @extend_schema_field(AMOUNT)
    def get_standing(self, explanation: Explanation) -> str:
        return amount_text(explanation.standing, explanation.charge.currency)

    def to_representation(self, instance: Explanation) -> dict[str, Any]:
        shown = super().to_representation(instance)
        for place, row in zip(shown["places"], instance.places, strict=True):
            place["amount"] = amount_text(row.amount, instance.charge.currency)
        return shown


class ChargeExplanation(RowView):
    """A charge explained: the clause, the price, the events, the arithmetic in words, and where it stands."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ExplanationShown
    http_method_names = ["get", "head"]

    def row(self, **names: Any) -> Explanation:
        charge_id: UUID = names["charge_id"]
        return explaining.explain(charge_id)
