"""The API of billing: the price list, closes of months, issued invoices and the charges they are made of. Amounts are decimals in strings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowsView, RowView, Sent, add_sent, one_or_many, sent_by
from accounts.permissions import Permission
from billing import queries
from billing.commands import MOST_CODE, MOST_NAME, NewPriceItem, add_price_items, close_month, set_price
from billing.models import Charge, Document, DocumentLine, PeriodClose, PriceItem, PriceVersion
from billing.queries import PricedItem
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.documents import amount_text
from billing.rules.inputs import Basis
from billing.rules.invoicing import Kind
from billing.rules.money import PRICE_DECIMALS
from billing.rules.rating import Rule

AMOUNT = {
    "type": "string",
    "pattern": r"^-?\d+(?:\.\d+)?$",
    "description": "With all minor units of its currency.",
}


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


class MonthCloseShown(serializers.Serializer[PeriodClose]):
    id = serializers.UUIDField()
    month = serializers.DateField(help_text="The first day of the month.")
    cut_position = serializers.IntegerField(help_text="The last position of the log that was read for it.")
    closed_at = serializers.DateTimeField()
    closed_by = serializers.UUIDField(allow_null=True)
    issued_on = serializers.DateField()
    engine = serializers.CharField()
    inputs_sha256 = serializers.CharField()
    days_without_price = serializers.IntegerField()
    days_without_agreement = serializers.IntegerField()


class MonthCloseSent(Sent):
    month = serializers.DateField(help_text="The first day of the month.")


class InvoiceShown(serializers.Serializer[Document]):
    id = serializers.UUIDField()
    number = serializers.CharField()
    customer = serializers.UUIDField(source="customer_id")
    month_close = serializers.UUIDField(source="close_id")
    issued_on = serializers.DateField()
    currency = serializers.CharField()
    total = serializers.SerializerMethodField()
    document_sha256 = serializers.CharField()
    previous_sha256 = serializers.CharField(help_text="Of the document before in its series; empty at first.")

    @extend_schema_field(AMOUNT)
    def get_total(self, invoice: Document) -> str:
        return amount_text(invoice.total, invoice.currency)


class InvoiceDocumentShown(InvoiceShown):
    document = serializers.DictField(help_text="What the customer got, with its lines; it never changes.")


class ChargeShown(serializers.Serializer[Charge]):
    id = serializers.UUIDField()
    key = serializers.CharField(help_text="The rows of a key sum to the charge as it stands.")
    kind = serializers.ChoiceField(list(Kind))
    rule = serializers.ChoiceField(list(Rule))
    month = serializers.DateField(source="close.month", help_text="The month at whose close it was made.")
    customer = serializers.UUIDField(source="customer_id")
    site = serializers.UUIDField(source="site_id")
    agreement = serializers.CharField(source="agreement_number")
    subject = serializers.UUIDField(source="subject_id")
    event = serializers.UUIDField(source="event_id", allow_null=True)
    item_code = serializers.CharField()
    item_name = serializers.CharField()
    unit_code = serializers.CharField()
    place = serializers.CharField()
    service_on = serializers.DateField()
    starts_on = serializers.DateField()
    ends_before = serializers.DateField()
    part = serializers.DecimalField(6, 1)
    whole = serializers.IntegerField()
    unit_price = serializers.DecimalField(20, 6)
    currency = serializers.CharField()
    amount = serializers.SerializerMethodField()

    @extend_schema_field(AMOUNT)
    def get_amount(self, charge: Charge) -> str:
        return amount_text(charge.amount, charge.currency)


class InvoiceLineShown(serializers.Serializer[DocumentLine]):
    line = serializers.IntegerField()
    amount = serializers.SerializerMethodField()
    charge = ChargeShown()

    @extend_schema_field(AMOUNT)
    def get_amount(self, line: DocumentLine) -> str:
        return amount_text(line.amount, line.charge.currency)


class InvoiceFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    month = filters.DateFilter("close__month", help_text="The first day of the month.")
    issued_from = filters.DateFilter("issued_on", lookup_expr="gte")
    issued_to = filters.DateFilter("issued_on", lookup_expr="lte")


class ChargeFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    site = filters.UUIDFilter("site_id")
    subject = filters.UUIDFilter("subject_id")
    event = filters.UUIDFilter("event_id")
    month = filters.DateFilter("close__month", help_text="The first day of the month.")
    open = filters.BooleanFilter(method="by_open", help_text="On no invoice yet.")

    def by_open(self, rows: QuerySet[Charge], name: str, value: bool) -> QuerySet[Charge]:  # noqa: FBT001
        waiting = queries.open_charges().order_by().values("id")
        return rows.filter(id__in=waiting) if value else rows.exclude(id__in=waiting)


class PriceItems(RowsView):
    """The price list: each item with its prices."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.PRICES_MANAGE}
    serializer_class = PriceItemShown
    ordering = ("code",)

    def rows(self) -> QuerySet[PriceItem]:
        return queries.price_items()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return queries.with_prices(page)

    @extend_schema(
        request=one_or_many(PriceItemSent), responses={201: one_or_many(PriceItemShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one item with its first price, or a list of them: all or none."""
        return add_sent(request, PriceItemSent, PriceItemShown, self._add)

    def _add(self, rows: list[dict[str, Any]]) -> Sequence[PricedItem]:
        made = add_price_items(actor=self.actor, items=[NewPriceItem(**row) for row in rows])
        with tenancy.reading(self.actor):
            return queries.with_prices(made)


class PriceItemPrices(OperatorView):
    permissions = {"POST": Permission.PRICES_MANAGE}
    serializer_class = PriceShown
    http_method_names = ["post"]

    @extend_schema(request=PriceSent, responses={201: PriceShown})
    def post(self, request: Request, code: str) -> Response:
        """Set an item's price from a day on. The price before ends there; one set for later stays."""
        price = set_price(actor=self.actor, item_code=code, **sent_by(request, PriceSent))
        return Response(PriceShown(price).data, status=201)


class MonthCloses(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.INVOICES_ISSUE}
    serializer_class = MonthCloseShown
    ordering = ("-month",)

    def rows(self) -> QuerySet[PeriodClose]:
        return queries.closes()

    @extend_schema(request=MonthCloseSent, responses={201: MonthCloseShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Close a month and issue its invoices, one per customer and currency. It can't be done twice or undone."""
        close = close_month(actor=self.actor, month=sent_by(request, MonthCloseSent)["month"])
        return Response(MonthCloseShown(close).data, status=201)


class Invoices(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceShown
    filterset_class = InvoiceFilter
    ordering = ("-series_id", "-ordinal")

    def rows(self) -> QuerySet[Document]:
        return queries.invoices()


class InvoiceDoor(RowView):
    """One invoice with its document."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceDocumentShown

    def row(self, number: str) -> Document:  # type: ignore[override]
        return queries.get_invoice(number)


class InvoiceLines(RowsView):
    """An invoice's lines in order, each with its charge."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceLineShown
    ordering = ("line",)

    def rows(self) -> QuerySet[DocumentLine]:
        return queries.invoice_lines(queries.get_invoice(self.kwargs["number"]).id)


class Charges(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ChargeShown
    filterset_class = ChargeFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[Charge]:
        return queries.charges()
