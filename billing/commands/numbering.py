"""Numbers of documents, drawn without gaps, and the one lock under which prices, contracts and closes take turns."""

from __future__ import annotations

from datetime import date

from django.db import connection

from accounts.errors import Conflict, Problem
from billing.models import NumberSeries, PeriodClose
from billing.rules.rating import month_after

SERIES = "INV"


def locked_series() -> NumberSeries:
    """The operator's number series, locked until commit: prices and closes come one after the other."""
    NumberSeries.objects.bulk_create([NumberSeries(code=SERIES)], ignore_conflicts=True)
    return NumberSeries.objects.select_for_update().get(code=SERIES)


def draw_numbers(series: NumberSeries, count: int) -> int:
    """Draw ``count`` numbers in this transaction and give the first: rolled back, they are not drawn."""
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE billing_numberseries SET next = next + %s WHERE operator_id = %s AND id = %s RETURNING next - %s",
            [count, series.operator_id, series.id, count],
        )
        return int(cursor.fetchone()[0])


def refuse_closed_month(day: date, what: str = "a price can begin", pointer: str = "/effective_from") -> None:
    """Conflict for a day of a month that is closed: what a closed month was rated by does not change.

    ``what`` says in the refusal what can begin, or end, on the first open day at the earliest.
    """
    last = PeriodClose.objects.order_by("-month").values_list("month", flat=True).first()
    if last is not None and day < month_after(last):
        detail = f"{last:%B %Y} is closed, so {what} on {day_text(month_after(last))} at the earliest."
        raise Conflict(detail, errors=[Problem(pointer, "closed-month", detail)])


def day_text(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
