"""The API of the price list. Amounts are decimals in strings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.permissions import Permission
from billing.commands.prices import MOST_CODE, MOST_NAME, NewPriceItem, add_price_items, set_price
from billing.models import PriceItem, PriceVersion
from billing.queries import prices
from billing.queries.prices import PricedItem
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.inputs import Basis
from billing.rules.money import PRICE_DECIMALS


class PriceShown(serializers.Serializer[PriceVersion]):
    amount = serializers.DecimalField(20, 6)
    currency = serializers.CharField(help_text="ISO 4217.")
    effective_from = serializers.DateField()
    effective_to = serializers.DateField(allow_null=True, help_text="The first day that has another price.")


class PriceItemShown(serializers.Serializer[PricedItem]):
    id = serializers.UUIDField(source="item.id")
    code = serializers.CharField(source="item.code")
    name = serializers.CharField(source="item.name")
    basis = serializers.ChoiceField(list(Basis), source="item.basis")
    fixture = serializers.ChoiceField(PriceItem.FIXTURES, source="item.fixture", help_text="Empty is any.")
    event_type = serializers.CharField(
        source="item.event_type", help_text="The work it is for, with the basis event; else empty."
    )
    prices = PriceShown(many=True, help_text="The earliest first.")


class PriceSent(Sent):
    amount = serializers.DecimalField(
        15, PRICE_DECIMALS, min_value=0, help_text="In the operator's currency, as a decimal in a string."
    )
    effective_from = serializers.DateField(help_text="A day of a month that is not closed.")


class PriceItemSent(PriceSent):
    code = serializers.CharField(max_length=MOST_CODE)
    name = serializers.CharField(max_length=MOST_NAME)
    basis = serializers.ChoiceField(list(Basis))
    fixture = serializers.ChoiceField(PriceItem.FIXTURES, required=False, help_text="Left out or empty: any.")
    event_type = serializers.ChoiceField(
        sorted(CHARGEABLE_TYPES),
        required=False,
        allow_blank=True,
        help_text="With the basis event, and only then.",
    )


class PriceItems(RowsView):
    """The price list: each item with its prices."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.PRICES_MANAGE}
    serializer_class = PriceItemShown
    ordering = ("code",)

    def rows(self) -> QuerySet[PriceItem]:
        return prices.price_items()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return prices.with_prices(page)

    @extend_schema(
        request=one_or_many(PriceItemSent), responses={201: one_or_many(PriceItemShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one item with its first price, or a list of them: all or none."""
        return add_sent(request, PriceItemSent, PriceItemShown, self._add)

    def _add(self, rows: list[dict[str, Any]]) -> Sequence[PricedItem]:
        made = add_price_items(actor=self.actor, items=[NewPriceItem(**row) for row in rows])
        with tenancy.reading(self.actor):
            return prices.with_prices(made)


class PriceItemPrices(OperatorView):
    permissions = {"POST": Permission.PRICES_MANAGE}
    serializer_class = PriceShown
    http_method_names = ["post"]

    @extend_schema(request=PriceSent, responses={201: PriceShown})
    def post(self, request: Request, code: str) -> Response:
        """Set an item's price from a day on. The price before ends there; one set for later stays."""
        price = set_price(actor=self.actor, item_code=code, **sent_by(request, PriceSent))
        return Response(PriceShown(price).data, status=201)
