"""The API of issued documents: invoices and credit notes, their lines, and what is left to give back."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by, version_tag
from accounts.permissions import Permission
from billing.api.amounts import AMOUNT
from billing.api.closes import ChargeShown
from billing.api.forms import FORMS, CsvForm, JsonForm, PdfForm, UblForm
from billing.commands.crediting import MOST_REASON, credit_document
from billing.models import Document, DocumentLine
from billing.queries import document_lists, documents
from billing.queries.document_forms import form_of
from billing.queries.feed.changes import one_moment
from billing.queries.feed.versions import version_of
from billing.rules.bank.references import rf_reference
from billing.rules.crediting import Creditable, CreditedLine, LineLeft
from billing.rules.documents import amount_text


class DocumentShown(serializers.Serializer[Document]):
    id = serializers.UUIDField()
    number = serializers.CharField()
    customer = serializers.UUIDField(source="customer_id", help_text="Who pays it, or gets it back.")
    legal_entity = serializers.UUIDField(
        source="legal_entity_id",
        allow_null=True,
        help_text="Who issued it; null: the operator in its own name.",
    )
    month_close = serializers.UUIDField(source="close_id", allow_null=True)
    issued_on = serializers.DateField()
    due_on = serializers.DateField(allow_null=True)
    currency = serializers.CharField()
    net = serializers.SerializerMethodField()
    tax = serializers.SerializerMethodField()
    total = serializers.SerializerMethodField()
    purchase_order = serializers.CharField(source="po_number")
    payment_reference = serializers.SerializerMethodField(
        help_text="The creditor reference of ISO 11649 that a payer quotes; empty where there is none."
    )
    document_sha256 = serializers.CharField()
    previous_sha256 = serializers.CharField(help_text="Of the document before in its series; empty at first.")
    ubl_sha256 = serializers.CharField(help_text="Of its UBL; empty where it has none.")

    def get_payment_reference(self, one: Document) -> str:
        return "" if one.kind == "credit_note" else rf_reference(one.number)

    @extend_schema_field(AMOUNT)
    def get_net(self, one: Document) -> str:
        return amount_text(one.net, one.currency)

    @extend_schema_field(AMOUNT)
    def get_tax(self, one: Document) -> str:
        return amount_text(one.tax, one.currency)

    @extend_schema_field(AMOUNT)
    def get_total(self, one: Document) -> str:
        return amount_text(one.total, one.currency)


class InvoiceShown(DocumentShown):
    pass


class CreditNoteShown(DocumentShown):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The invoice that it gives back of.")


class InvoiceDocumentShown(InvoiceShown):
    document = serializers.DictField(help_text="What the customer got, with its lines; it never changes.")


class CreditNoteDocumentShown(CreditNoteShown):
    document = serializers.DictField(help_text="What the customer got, with its lines; it never changes.")


class DocumentLineShown(serializers.Serializer[DocumentLine]):
    line = serializers.IntegerField()
    amount = serializers.SerializerMethodField()
    tax_category = serializers.CharField(help_text="EN 16931, BT-118; empty without tax.")
    tax_rate = serializers.DecimalField(7, 4)

    @extend_schema_field(AMOUNT)
    def get_amount(self, line: DocumentLine) -> str:
        return amount_text(line.amount, line.document.currency)


class InvoiceLineShown(DocumentLineShown):
    charge = ChargeShown()


class CreditNoteLineShown(DocumentLineShown):
    charge = ChargeShown(
        allow_null=True, help_text="What took back what was billed; null when given back by hand."
    )
    credited_line = serializers.IntegerField(
        source="credits.line", allow_null=True, default=None, help_text="The line of the invoice."
    )


class DocumentFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    month = filters.DateFilter("close__month", help_text="The first day of the month.")
    issued_from = filters.DateFilter("issued_on", lookup_expr="gte")
    issued_to = filters.DateFilter("issued_on", lookup_expr="lte")


class InvoiceFilter(DocumentFilter):
    pass


class CreditNoteFilter(DocumentFilter):
    corrects = filters.CharFilter("corrects__number", help_text="The number of an invoice.")


class Invoices(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceShown
    filterset_class = InvoiceFilter
    ordering = ("-series_id", "-ordinal")

    def rows(self) -> QuerySet[Document]:
        return documents.invoices()


class CreditNotes(RowsView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = CreditNoteShown
    filterset_class = CreditNoteFilter
    ordering = ("-series_id", "-ordinal")

    def rows(self) -> QuerySet[Document]:
        return documents.credit_notes()


def _in_forms(shown: Any) -> Any:
    """A document's answers: JSON, and the letter and the e-invoice as they are."""
    return {
        (200, JsonForm.media_type): shown,
        (200, PdfForm.media_type): OpenApiTypes.BINARY,
        (200, UblForm.media_type): OpenApiTypes.BINARY,
        (200, CsvForm.media_type): OpenApiTypes.STR,
    }


class DocumentDoor(RowView):
    """One document: as JSON, or by Accept or an ending of the address (.pdf, .xml, .csv) as letter, UBL or lines.

    As JSON it has the ETag of its version; the other forms are other bytes.
    """

    permissions = {"GET": Permission.INVOICES_READ}
    renderer_classes = FORMS
    named: ClassVar = "number"
    versioned = True

    def get_format_suffix(self, **kwargs: Any) -> str | None:
        """The ending of the number in the address, if it is one of the forms."""
        _, dot, ending = kwargs[self.named].rpartition(".")
        return ending if dot and ending in {form.format for form in FORMS} else None

    def get(self, request: Request, **names: Any) -> Any:
        number = str(names[self.named])
        if self.format_kwarg:
            number = number.removesuffix(f".{self.format_kwarg}")
        with one_moment(self.actor):
            found = self.row(number=number)
            tag = version_tag(found.kind, found.id, version_of(found.kind, found.id))
        wanted = request.accepted_renderer.format
        if wanted == JsonForm.format:
            data = None if self.not_modified(tag) else self.get_serializer(found).data
            return self.tagged(Response(data), tag)
        return HttpResponse(form_of(found, wanted), content_type=request.accepted_renderer.media_type)


class InvoiceDoor(DocumentDoor):
    serializer_class = InvoiceDocumentShown

    @extend_schema(responses=_in_forms(InvoiceDocumentShown))
    def get(self, request: Request, **names: Any) -> Any:
        """One invoice with its document; as PDF, UBL (application/xml) or lines (text/csv) if asked for."""
        return super().get(request, **names)

    def row(self, number: str) -> Document:  # type: ignore[override]
        return documents.get_invoice(number)


class CreditNoteDoor(DocumentDoor):
    serializer_class = CreditNoteDocumentShown
    named = "credit_note"

    @extend_schema(responses=_in_forms(CreditNoteDocumentShown))
    def get(self, request: Request, **names: Any) -> Any:
        """One credit note with its document; as PDF, UBL (application/xml) or lines (text/csv) if asked for."""
        return super().get(request, **names)

    def row(self, number: str) -> Document:  # type: ignore[override]
        return document_lists.get_credit_note(number)


class InvoiceLines(RowsView):
    """An invoice's lines in order, each with its charge."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = InvoiceLineShown
    ordering = ("line",)

    def rows(self) -> QuerySet[DocumentLine]:
        return document_lists.lines_of(documents.get_invoice(self.kwargs["number"]).id)


class CreditNoteLines(RowsView):
    """A credit note's lines in order, each with the line that it gives back of."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = CreditNoteLineShown
    ordering = ("line",)

    def rows(self) -> QuerySet[DocumentLine]:
        return document_lists.lines_of(document_lists.get_credit_note(self.kwargs["credit_note"]).id)


class CreditableLineShown(serializers.Serializer[LineLeft]):
    line = serializers.IntegerField()
    amount = serializers.CharField(help_text="Net, as billed.")
    left = serializers.CharField(help_text="Net, what is left of it to give back.")


class CreditableGroupShown(serializers.Serializer[Any]):
    category = serializers.CharField()
    rate = serializers.CharField()
    jurisdiction = serializers.CharField()
    base = serializers.CharField()
    tax = serializers.CharField()


class CreditableShown(serializers.Serializer[Creditable]):
    """What is left of an invoice to give back."""

    number = serializers.CharField()
    currency = serializers.CharField()
    net_left = serializers.CharField()
    tax_left = serializers.CharField()
    total_left = serializers.CharField()
    payable_left = serializers.CharField(help_text="With what the total was rounded by.")
    lines = CreditableLineShown(many=True)
    tax_groups = CreditableGroupShown(many=True)

    def to_representation(self, of: Creditable) -> dict[str, Any]:
        def text(amount: Decimal) -> str:
            return amount_text(amount, of.currency)

        return {
            "number": of.number,
            "currency": of.currency,
            **{
                name: text(getattr(of, name))
                for name in ("net_left", "tax_left", "total_left", "payable_left")
            },
            "lines": [
                {"line": one.line, "amount": text(one.amount), "left": text(one.left)} for one in of.lines
            ],
            "tax_groups": [
                {
                    "category": one.category,
                    "rate": f"{one.rate.normalize():f}",
                    "jurisdiction": one.jurisdiction,
                    "base": text(one.base),
                    "tax": text(one.tax),
                }
                for one in of.groups.values()
            ],
        }


class InvoiceCreditable(RowView):
    """What is left of an invoice to give back: by line, by tax group and in all."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = CreditableShown

    def row(self, number: str) -> Creditable:  # type: ignore[override]
        return documents.creditable(number)


class CreditedLineSent(Sent):
    line = serializers.IntegerField(min_value=1)
    amount = serializers.DecimalField(
        20, 4, required=False, allow_null=True, help_text="Net; left out: all that is left of the line."
    )


class CreditSent(Sent):
    reason = serializers.CharField(max_length=MOST_REASON, help_text="It stands on the credit note.")
    lines = CreditedLineSent(
        many=True,
        required=False,
        allow_null=True,
        help_text="Left out: all that is left of the invoice.",
    )


class InvoiceCredit(OperatorView):
    permissions = {"POST": Permission.INVOICES_ISSUE}
    recent = ("POST",)
    serializer_class = CreditNoteDocumentShown
    http_method_names = ["post"]

    @extend_schema(request=CreditSent, responses={201: CreditNoteDocumentShown})
    def post(self, request: Request, number: str) -> Response:
        """Give back of an invoice: all that is left, or amounts of its lines. The credit note is issued at once."""
        sent = sent_by(request, CreditSent)
        lines = sent.get("lines")
        note = credit_document(
            actor=self.actor,
            number=number,
            reason=sent["reason"],
            lines=None if lines is None else [CreditedLine(one["line"], one.get("amount")) for one in lines],
        )
        return Response(CreditNoteDocumentShown(note).data, status=201)
