"""The API of issued documents."""

from __future__ import annotations

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from accounts.doors import RowsView, RowView
from accounts.permissions import Permission
from billing.api.amounts import AMOUNT
from billing.api.closes import ChargeShown
from billing.models import Document, DocumentLine
from billing.queries import documents
from billing.rules.documents import amount_text


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


class Invoices(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceShown
    filterset_class = InvoiceFilter
    ordering = ("-series_id", "-ordinal")

    def rows(self) -> QuerySet[Document]:
        return documents.invoices()


class InvoiceDoor(RowView):
    """One invoice with its document."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceDocumentShown

    def row(self, number: str) -> Document:  # type: ignore[override]
        return documents.get_invoice(number)


class InvoiceLines(RowsView):
    """An invoice's lines in order, each with its charge."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceLineShown
    ordering = ("line",)

    def rows(self) -> QuerySet[DocumentLine]:
        return documents.invoice_lines(documents.get_invoice(self.kwargs["number"]).id)
