"""The API of the price list. Amounts are decimals in strings."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.permissions import Permission
from billing.commands.price_problems import MOST_CODE, MOST_INDEX_CODE, MOST_NAME
from billing.commands.prices import (
    NewPriceItem,
    add_price_items,
    announce_price,
    record_index_figure,
    set_price,
)
from billing.models import IndexFigure, PriceItem, PriceVersion
from billing.models.parties import TAX_CLASSES
from billing.queries import prices
from billing.queries.prices import PricedItem
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.index_price import IndexClause
from billing.rules.inputs import Basis
from billing.rules.money import PRICE_DECIMALS


class PriceIndexShown(serializers.Serializer[PriceVersion]):
    """The price is prior_amount x figure of month / figure of base_month, within cap and floor, rounded once."""

    code = serializers.CharField(source="index_code")
    base_month = serializers.DateField(source="index_base_month")
    month = serializers.DateField(source="index_month")
    cap_percent = serializers.DecimalField(7, 3, source="index_cap_percent", allow_null=True)
    floor_percent = serializers.DecimalField(7, 3, source="index_floor_percent", allow_null=True)
    decimals = serializers.IntegerField(source="index_decimals")
    prior_amount = serializers.DecimalField(20, 6)


class PriceShown(serializers.Serializer[PriceVersion]):
    id = serializers.UUIDField()
    amount = serializers.DecimalField(
        20, 6, allow_null=True, help_text="Null while it waits for the figure of its index."
    )
    currency = serializers.CharField(help_text="ISO 4217.")
    effective_from = serializers.DateField()
    effective_to = serializers.DateField(allow_null=True, help_text="The first day that has another price.")
    announced_on = serializers.DateField(allow_null=True, help_text="The day of the letter about it.")
    index = serializers.SerializerMethodField()

    @extend_schema_field(PriceIndexShown(allow_null=True))
    def get_index(self, price: PriceVersion) -> dict[str, Any] | None:
        return PriceIndexShown(price).data if price.index_code else None


class ContractPriceShown(PriceShown):
    item_code = serializers.CharField(source="item.code")
    site = serializers.UUIDField(source="site_id", allow_null=True, help_text="Null: for all its sites.")


class PriceItemShown(serializers.Serializer[PricedItem]):
    id = serializers.UUIDField(source="item.id")
    code = serializers.CharField(source="item.code")
    name = serializers.CharField(source="item.name")
    basis = serializers.ChoiceField(list(Basis), source="item.basis")
    fixture = serializers.ChoiceField(PriceItem.FIXTURES, source="item.fixture", help_text="Empty is any.")
    event_type = serializers.CharField(
        source="item.event_type", help_text="The work it is for, with the basis event; else empty."
    )
    tax_class = serializers.ChoiceField(TAX_CLASSES, source="item.tax_class")
    revenue_account = serializers.CharField(
        source="item.revenue_account", help_text="Empty is the usual one."
    )
    prices = PriceShown(many=True, help_text="Those of the list, the earliest first.")


def _amount(**more: Any) -> serializers.DecimalField:
    return serializers.DecimalField(15, PRICE_DECIMALS, min_value=0, **more)


class PriceIndexSent(Sent):
    code = serializers.CharField(max_length=MOST_INDEX_CODE)
    base_month = serializers.DateField(help_text="The first day of the month.")
    month = serializers.DateField(help_text="The first day of the month; later than the base.")
    cap_percent = serializers.DecimalField(
        7,
        3,
        required=False,
        allow_null=True,
        help_text="The most it may rise, in percent of the prior price.",
    )
    floor_percent = serializers.DecimalField(
        7, 3, required=False, allow_null=True, help_text="The least it moves: -2 for 2 percent less at most."
    )
    decimals = serializers.IntegerField(
        min_value=0,
        max_value=PRICE_DECIMALS,
        required=False,
        help_text="It is rounded once, to so many; 2 unless given.",
    )
    prior_amount = _amount(
        required=False,
        allow_null=True,
        help_text="What is moved; the price that holds until then unless given.",
    )


class PriceSent(Sent):
    amount = _amount(
        required=False,
        allow_null=True,
        help_text="As a decimal in a string. Left out where an index makes the price.",
    )
    effective_from = serializers.DateField(help_text="A day of a month that is not closed.")
    effective_to = serializers.DateField(
        required=False, allow_null=True, help_text="Left out: until the next price begins."
    )
    currency = serializers.RegexField(
        "^[A-Z]{3}$", required=False, help_text="ISO 4217; the usual one unless given."
    )
    contract = serializers.CharField(
        source="contract_number",
        max_length=30,
        required=False,
        help_text="The number of a contract: its own price.",
    )
    site = serializers.CharField(
        source="site_code", max_length=20, required=False, help_text="The code of a site under that contract."
    )
    index = PriceIndexSent(required=False, allow_null=True)
    announced_on = serializers.DateField(
        required=False, allow_null=True, help_text="The day of the letter about it, before it begins."
    )


class PriceItemSent(Sent):
    code = serializers.CharField(max_length=MOST_CODE)
    name = serializers.CharField(max_length=MOST_NAME)
    basis = serializers.ChoiceField(list(Basis))
    amount = _amount(
        required=False,
        allow_null=True,
        default=None,
        help_text="As a decimal in a string. Left out where only contracts give it a price.",
    )
    effective_from = serializers.DateField(
        required=False, allow_null=True, default=None, help_text="A day of a month that is not closed."
    )
    currency = serializers.RegexField(
        "^[A-Z]{3}$", required=False, help_text="ISO 4217; the operator's unless given."
    )
    fixture = serializers.ChoiceField(PriceItem.FIXTURES, required=False, help_text="Left out or empty: any.")
    event_type = serializers.ChoiceField(
        sorted(CHARGEABLE_TYPES),
        required=False,
        allow_blank=True,
        help_text="With the basis event, and only then.",
    )
    tax_class = serializers.ChoiceField(TAX_CLASSES, required=False, help_text="standard unless given.")
    revenue_account = serializers.CharField(
        max_length=20, required=False, allow_blank=True, help_text="Left out: the usual one."
    )


class AnnouncementSent(Sent):
    announced_on = serializers.DateField(help_text="The day of the letter, before the price begins.")


class IndexFigureShown(serializers.Serializer[IndexFigure]):
    code = serializers.CharField()
    month = serializers.DateField(help_text="The first day of the month.")
    value = serializers.DecimalField(12, 4)


class IndexFigureSent(Sent):
    code = serializers.CharField(max_length=MOST_INDEX_CODE)
    month = serializers.DateField(help_text="The first day of the month.")
    value = serializers.DecimalField(12, 4, min_value=Decimal("0.0001"))


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
        """Set an item's price from a day on, on the list or under a contract. The price before ends there; one set for
        later stays.
        """
        sent = {"amount": None, **sent_by(request, PriceSent)}
        if (index := sent.pop("index", None)) is not None:
            sent["index"] = IndexClause(**index)
        price = set_price(actor=self.actor, item_code=code, **sent)
        return Response(PriceShown(price).data, status=201)


class PriceAnnouncement(OperatorView):
    permissions = {"POST": Permission.PRICES_MANAGE}
    serializer_class = PriceShown
    http_method_names = ["post"]

    @extend_schema(request=AnnouncementSent, responses={200: PriceShown})
    def post(self, request: Request, price_id: UUID) -> Response:
        """Record the day of the letter that announced a price."""
        price = announce_price(actor=self.actor, price_id=price_id, **sent_by(request, AnnouncementSent))
        return Response(PriceShown(price).data)


class IndexFigures(RowsView):
    """Published figures of price indices, as they were entered."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.PRICES_MANAGE}
    serializer_class = IndexFigureShown
    ordering = ("code", "month")

    def rows(self) -> QuerySet[IndexFigure]:
        return prices.index_figures()

    @extend_schema(request=IndexFigureSent, responses={201: IndexFigureShown})
    def post(self, request: Request) -> Response:
        """Enter a figure; prices that waited for it get their amount. It stays."""
        row = record_index_figure(actor=self.actor, **sent_by(request, IndexFigureSent))
        return Response(IndexFigureShown(row).data, status=201)
