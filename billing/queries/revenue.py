"""What was billed by month, inside an operator's scope."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Case, DateField, F, Q, Sum, Value, When
from django.db.models.functions import Cast, Coalesce, TruncMonth

from billing.models import Document


@dataclass(frozen=True, slots=True)
class MonthBilled:
    """Net of a month's invoices, and net of the credit notes that give back of any month, in one currency."""

    month: date
    invoiced: Decimal
    given_back: Decimal

    @property
    def net(self) -> Decimal:
        return self.invoiced - self.given_back


def billed_months(currency: str, since: date) -> list[MonthBilled]:
    """Every month from ``since`` on with a document, the earliest first.

    A document of a close counts in the month closed, any other in the month that it was issued in. Debts brought
    forward count in none.
    """
    month = Coalesce("close__month", Cast(TruncMonth("issued_on"), DateField()))
    given_back = Q(kind="credit_note")
    rows = (
        Document.objects.exclude(kind="opening")
        .filter(currency=currency)
        .annotate(of_month=month)
        .filter(of_month__gte=since)
        .order_by("of_month")
        .values("of_month")
        .annotate(
            invoiced=Sum(Case(When(~given_back, then=F("net")), default=Value(Decimal(0)))),
            back=Sum(Case(When(given_back, then=F("net")), default=Value(Decimal(0)))),
        )
    )
    return [MonthBilled(row["of_month"], row["invoiced"], row["back"]) for row in rows]


def currencies_billed() -> list[str]:
    """The currencies of all documents, in the order of the alphabet."""
    return list(Document.objects.order_by("currency").values_list("currency", flat=True).distinct())
