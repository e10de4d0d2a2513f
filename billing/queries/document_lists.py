"""What the pages of documents list: the documents asked for, and the charges behind the lines that are shown."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Count, F, Q, QuerySet, Sum

import fleet.queries
from accounts.errors import NotFound
from accounts.languages import _
from billing.models import Document, DocumentLine, Sending
from billing.queries import closes

MOST_UNSENT = 6


def documents(*, customer: str = "", kind: str = "", month: str = "", find: str = "") -> QuerySet[Document]:
    """The documents, the latest first, without what they say.

    ``customer`` is a code, ``month`` a month as "2026-04": that of the close, else of the issue. ``find`` is a part of a
    number or of a customer's name. A month that is none finds nothing.
    """
    rows = Document.objects.select_related("customer", "close").defer("document", "ubl", "close__inputs")
    if customer:
        rows = rows.filter(customer__code=customer)
    if kind:
        rows = rows.filter(kind=kind)
    if find:
        rows = rows.filter(Q(number__icontains=find) | Q(customer__name__icontains=find))
    if month:
        rows = rows.filter(_of_month(month))
    return rows.order_by("-issued_on", "-number", "-id")


def _of_month(month: str) -> Q:
    try:
        first = date.fromisoformat(f"{month}-01")
    except ValueError:
        return Q(pk__in=[])
    return Q(close__month=first) | Q(close=None, issued_on__year=first.year, issued_on__month=first.month)


def get_credit_note(number: str) -> Document:
    """A credit note by its number; NotFound without it, or for a document of another kind."""
    found = Document.objects.select_related("customer").filter(number=number, kind="credit_note").first()
    if found is None:
        raise NotFound(_("There is no credit note here with this number."))
    return found


def lines_of(document_id: UUID) -> QuerySet[DocumentLine]:
    """A document's lines in order, each with its charge and the line that it gives back of."""
    rows = DocumentLine.objects.filter(document_id=document_id)
    rows = rows.select_related("charge__close", "credits", "document")
    return rows.defer("charge__close__inputs", "document__document", "document__ubl").order_by("line")


def open_sums() -> list[tuple[str, Decimal]]:
    """What is charged and stands on no document yet, by currency."""
    rows = closes.open_charges().order_by().values("currency").annotate(amount=Sum("amount"))
    return list(rows.order_by("currency").values_list("currency", "amount"))


def unsent(since: datetime) -> list[dict[str, Any]]:
    """The mails owed since then that did not go out: how many to whom and why, the most first."""
    rows = Sending.objects.filter(sent_at=None, owed_at__gte=since).exclude(failed="")
    counted = rows.order_by().values("failed", code=F("customer__code"), name=F("customer__name"))
    return list(counted.annotate(mails=Count("id")).order_by("-mails", "name")[:MOST_UNSENT])


def charges_of_lines(document_id: UUID, numbers: Collection[int]) -> dict[int, UUID]:
    """By line the charge row behind it; for what was credited by hand that of the line given back of."""
    rows = DocumentLine.objects.filter(document_id=document_id, line__in=numbers)
    found = {}
    for line, charge, credited in rows.values_list("line", "charge_id", "credits__charge_id"):
        if charge or credited:
            found[line] = charge or credited
    return found


def unit_codes(unit_ids: Collection[UUID]) -> dict[UUID, str]:
    """The codes of those of these ids that are units."""
    return fleet.queries.unit_codes(set(unit_ids))
