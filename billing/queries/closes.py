"""Reads of closes, of what became of events, and of charges, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet, Sum

from billing.models import (
    Charge,
    Document,
    DocumentLine,
    EventDisposition,
    PeriodClose,
)
from billing.rules import rating
from billing.rules.dispositions import Disposition, Outcome, Reason
from billing.rules.invoicing import Kind, Line
from billing.rules.rating import Rule


def closes() -> QuerySet[PeriodClose]:
    """The closes, the latest first, without their frozen inputs."""
    return PeriodClose.objects.defer("inputs").order_by("-month")


def closes_in_order() -> QuerySet[PeriodClose]:
    return PeriodClose.objects.order_by("month")


def last_close() -> PeriodClose | None:
    return PeriodClose.objects.order_by("-month").first()


_COLUMNS = (
    *("event_id", "subject_id", "site_id", "outcome", "reason", "charge_key", "superseded_by"),
    *("clause", "counter"),
)


def _disposition(row: tuple[Any, ...]) -> Disposition:
    return Disposition(row[0], row[1], row[2], Outcome(row[3]), Reason(row[4]), *row[5:])


def _latest(rows: QuerySet[EventDisposition]) -> dict[UUID, Disposition]:
    latest = rows.order_by("event_id", "-close__month").distinct("event_id")
    return {row[0]: _disposition(row) for row in latest.values_list(*_COLUMNS)}


def held_dispositions() -> list[Disposition]:
    """The events whose latest disposition is held: nothing later was stored of them."""
    held = EventDisposition.objects.filter(outcome=Outcome.HELD)
    later = EventDisposition.objects.filter(
        event_id=OuterRef("event_id"), close__month__gt=OuterRef("close__month")
    )
    return [
        _disposition(row) for row in held.filter(~Exists(later)).order_by("event_id").values_list(*_COLUMNS)
    ]


def dispositions_of(subject_ids: Collection[UUID], event_ids: Collection[UUID]) -> dict[UUID, Disposition]:
    """The latest disposition of each event of these subjects, and of these events."""
    return _latest(EventDisposition.objects.filter(Q(subject_id__in=subject_ids) | Q(event_id__in=event_ids)))


def dispositions_at(close: PeriodClose) -> dict[UUID, Disposition]:
    """Each event's disposition as it stood after a close."""
    return _latest(EventDisposition.objects.filter(close__month__lte=close.month))


def disposition_of(event_id: UUID) -> Disposition | None:
    """What became of an event at the latest close that knew it; None before one did."""
    return _latest(EventDisposition.objects.filter(event_id=event_id)).get(event_id)


def subjects_at(site_ids: Collection[UUID]) -> set[UUID]:
    """The units, visits and sites that ever had an event disposed of at these sites."""
    if not site_ids:
        return set()
    rows = EventDisposition.objects.filter(site_id__in=site_ids)
    return set(rows.order_by().values_list("subject_id", flat=True).distinct())


def as_line(row: Charge) -> Line:
    """A stored charge row as the line it is."""
    return Line(
        Kind(row.kind),
        rating.Charge(
            key=row.key,
            rule=Rule(row.rule),
            subject_id=row.subject_id,
            event_id=row.event_id,
            item_code=row.item_code,
            item_name=row.item_name,
            price_version_id=row.price_version_id,
            unit_price=row.unit_price,
            currency=row.currency,
            customer_id=row.customer_id,
            agreement_id=row.agreement_id,
            agreement_number=row.agreement_number,
            site_id=row.site_id,
            site_code=row.site_code,
            site_name=row.site_name,
            unit_code=row.unit_code,
            place=row.place,
            service_on=row.service_on,
            occurred_at=row.occurred_at,
            starts_on=row.starts_on,
            ends_before=row.ends_before,
            part=row.part,
            whole=row.whole,
            amount=row.amount,
            clause=row.clause,
            contract_id=row.contract_id,
            contract_number=row.contract_number,
            tax_class=row.tax_class,
            revenue_account=row.revenue_account,
            in_advance=row.in_advance,
            workings=row.workings,
        ),
    )


def charged_for(subject_ids: Collection[UUID]) -> dict[str, rating.Charge]:
    """Per charge key of these subjects the sum of what all closes made of it, described as in the first."""
    summed: dict[str, rating.Charge] = {}
    for row in Charge.objects.filter(subject_id__in=subject_ids).order_by("close__month"):
        charge = as_line(row).charge
        first = summed.get(charge.key)
        summed[charge.key] = (
            charge
            if first is None
            else replace(first, part=first.part + charge.part, amount=first.amount + charge.amount)
        )
    return summed


def charges() -> QuerySet[Charge]:
    """Every charge row, in the order they were made."""
    return Charge.objects.select_related("close").order_by("id")


def open_charges() -> QuerySet[Charge]:
    """Charge rows that stand on no invoice: they wait until their customer's lines sum to no less than nothing."""
    return Charge.objects.filter(~Exists(DocumentLine.objects.filter(charge_id=OuterRef("id")))).order_by(
        "close__month", "key"
    )


def amounts_at(close: PeriodClose) -> dict[str, Decimal]:
    """What each charge stood at after a close."""
    rows = Charge.objects.filter(close__month__lte=close.month).order_by().values("key")
    return dict(rows.annotate(total=Sum("amount")).values_list("key", "total"))


def sums() -> tuple[dict[str, Decimal], dict[str, Decimal], dict[str, Decimal]]:
    """By currency: all that was charged, all that was invoiced, and all that is open."""

    def by_currency(rows: Any, amount: str) -> dict[str, Decimal]:
        return dict(
            rows.order_by().values("currency").annotate(total=Sum(amount)).values_list("currency", "total")
        )

    return (
        by_currency(Charge.objects.all(), "amount"),
        by_currency(Document.objects.all(), "total"),
        by_currency(open_charges(), "amount"),
    )
