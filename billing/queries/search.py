"""Finding an issued document by its number."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q

from billing.models import Document

MOST = 12


@dataclass(frozen=True, slots=True)
class FoundDocument:
    """A document by its number, and whom it went to."""

    number: str
    customer: str
    kind: str


def find_documents(text: str, *, most: int = MOST) -> list[FoundDocument]:
    """Invoices and credit notes whose number begins with this text, as typed or in capitals, the latest first.

    A beginning is found by the index that keeps the numbers apart, however many there are.
    """
    wanted = text.strip()
    if not wanted:
        return []
    begins = Q(number__startswith=wanted) | Q(number__startswith=wanted.upper())
    rows = Document.objects.filter(begins).exclude(kind="opening").order_by("-number")
    columns = rows.values_list("number", "customer__name", "kind")
    return [FoundDocument(*row) for row in columns[: most + 1]]
