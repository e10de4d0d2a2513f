"""Reads of issued documents, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

from django.db.models import DecimalField, F, QuerySet
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast, Coalesce

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import (
    Charge,
    Document,
    DocumentLine,
)
from billing.queries import crediting
from billing.rules.crediting import Creditable


@dataclass(frozen=True, slots=True)
class BilledOn:
    """Where an event stands: the invoice and line, or number "" and line 0 while its charge is open."""

    number: str
    line: int
    issued_on: date | None
    kind: str
    amount: Decimal
    currency: str


def documents() -> QuerySet[Document]:
    """Every document, the latest number first, without what it says."""
    return (
        Document.objects.select_related("customer")
        .defer("document", "ubl")
        .order_by("-series__code", "-ordinal")
    )


def invoices() -> QuerySet[Document]:
    """The invoices, the latest number first, without their documents."""
    return documents().filter(kind="invoice")


def credit_notes() -> QuerySet[Document]:
    """The credit notes, the latest number first, without their documents."""
    return documents().filter(kind="credit_note")


def issued_in_order() -> QuerySet[Document]:
    """What was issued here, series by series in the order of its numbers; debts of the books before are left out."""
    return Document.objects.exclude(kind="opening").order_by("series_id", "ordinal")


def invoices_in_order() -> QuerySet[Document]:
    return Document.objects.filter(kind="invoice").order_by("series_id", "ordinal")


def payable_of(rows: QuerySet[Document]) -> QuerySet[Document]:
    """Documents with ``payable``: what is to be paid of each, or given back, its total rounded for cash."""
    said = Cast(KeyTextTransform("payable", "document"), DecimalField(max_digits=20, decimal_places=4))
    return rows.annotate(payable=Coalesce(said, F("total")))


def last_digest(series_id: UUID) -> str:
    """The digest of a series' last document, which the next one names; "" before the first."""
    last = (
        Document.objects.filter(series_id=series_id)
        .order_by("-ordinal")
        .values_list("document_sha256", flat=True)
    )
    return last.first() or ""


def get_document(number: str) -> Document:
    """A document of any kind by its number; NotFound without it."""
    found = (
        Document.objects.select_related("customer", "close", "series", "corrects")
        .filter(number=number)
        .first()
    )
    if found is None:
        raise NotFound(_("There is no document here with this number."))
    return found


def get_invoice(number: str) -> Document:
    """An invoice by its number; NotFound without it, or for a document of another kind."""
    found = Document.objects.select_related("customer", "close").filter(number=number, kind="invoice").first()
    if found is None:
        raise NotFound(_("There is no invoice here with this number."))
    return found


def creditable(number: str) -> Creditable:
    """What is left of an invoice to give back: by line, by tax group and in all. NotFound without the invoice."""
    invoice = get_invoice(number)
    return crediting.creditables([invoice])[invoice.id]


def invoice_lines(invoice_id: UUID) -> QuerySet[DocumentLine]:
    """An invoice's lines in order, each with its charge."""
    return DocumentLine.objects.filter(document_id=invoice_id).select_related("charge").order_by("line")


def billed_on(event_id: UUID) -> list[BilledOn]:
    """Every line that an event brought about, the earliest first: its charge, and what was taken back of it."""
    return billed_on_events([event_id]).get(event_id, [])


def billed_on_events(event_ids: Collection[UUID]) -> dict[UUID, list[BilledOn]]:
    """``billed_on`` for many events at once; one that brought about no line has no entry."""
    charges = list(Charge.objects.filter(event_id__in=event_ids).order_by("close__month", "id"))
    lines = {
        row.charge_id: row
        for row in DocumentLine.objects.filter(charge__in=charges).select_related("document")
    }
    found: dict[UUID, list[BilledOn]] = defaultdict(list)
    for charge in charges:
        line = lines.get(charge.id)
        found[charge.event_id].append(
            BilledOn(
                number=line.document.number if line else "",
                line=line.line if line else 0,
                issued_on=line.document.issued_on if line else None,
                kind=charge.kind,
                amount=charge.amount,
                currency=charge.currency,
            )
        )
    return dict(found)
