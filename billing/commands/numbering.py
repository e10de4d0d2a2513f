"""Numbers of documents, drawn without gaps, and the one lock under which prices, contracts and closes take turns."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from django.db import connection

from accounts import phrases
from accounts.errors import Conflict, Problem
from accounts.languages import N_, _
from billing.models import NumberSeries, PeriodClose
from billing.rules.dating import day_text
from billing.rules.parties import Entity
from billing.rules.rating import month_after

SERIES = "INV"
PREFIXES = {"invoice": SERIES, "credit_note": "CRN"}


def locked_series() -> NumberSeries:
    """The operator's number series, locked until commit: prices and closes come one after the other."""
    NumberSeries.objects.bulk_create([NumberSeries(code=SERIES)], ignore_conflicts=True)
    return NumberSeries.objects.select_for_update().get(code=SERIES)


def series_of(entity: Entity, kind: str, *, is_default: bool) -> NumberSeries:
    """The series of a legal entity's documents of one kind, made when it is first asked for.

    Numbers of who issues by default begin with INV and CRN, those of others with their code as well. An entity keeps the
    series it began, whoever is the default later. Call it under ``locked_series``.
    """
    mine = NumberSeries.objects.filter(legal_entity_id=entity.id, kind=kind)
    if entity.id is not None and (known := mine.first()) is not None:
        return known
    plain = NumberSeries.objects.filter(code=PREFIXES[kind]).first()
    if not is_default or (plain is not None and plain.legal_entity_id not in {None, entity.id}):
        return _made(f"{PREFIXES[kind]}-{entity.code}", kind, entity.id)
    if plain is None:
        return _made(PREFIXES[kind], kind, entity.id)
    if plain.legal_entity_id != entity.id:
        plain.legal_entity_id = entity.id
        plain.save(update_fields=["legal_entity_id"])
    return plain


def credit_series(of: NumberSeries) -> NumberSeries:
    """The series of the credit notes that give back of a series' invoices. Call it under ``locked_series``."""
    code = PREFIXES["credit_note"] + of.code.removeprefix(SERIES)
    known = NumberSeries.objects.filter(code=code).first()
    return known or _made(code, "credit_note", of.legal_entity_id)


def _made(code: str, kind: str, entity_id: UUID | None) -> NumberSeries:
    return NumberSeries.objects.create(code=code, kind=kind, legal_entity_id=entity_id)


def number_text(series: NumberSeries, ordinal: int) -> str:
    return f"{series.code}-{ordinal:06d}"


def draw_numbers(series: NumberSeries, count: int) -> int:
    """Draw ``count`` numbers in this transaction and give the first: rolled back, they are not drawn."""
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE billing_numberseries SET next = next + %s WHERE operator_id = %s AND id = %s RETURNING next - %s",
            [count, series.operator_id, series.id, count],
        )
        return int(cursor.fetchone()[0])


A_PRICE_CAN_BEGIN = N_("{month} is closed, so a price can begin on {day} at the earliest.")


def refuse_closed_month(
    day: date, sentence: str = A_PRICE_CAN_BEGIN, pointer: str = "/effective_from"
) -> None:
    """Conflict for a day of a month that is closed: what a closed month was rated by does not change.

    ``sentence`` says what can begin, or end, on {day}, the first open day, at the earliest, since {month} is closed.
    """
    last = PeriodClose.objects.order_by("-month").values_list("month", flat=True).first()
    if last is not None and day < month_after(last):
        detail = _(sentence, month=phrases.month(last), day=day_text(month_after(last)))
        raise Conflict(detail, errors=[Problem(pointer, "closed-month", detail)])
