"""Reads of closes, of what became of events, and of charges, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Exists, Min, OuterRef, Q, QuerySet, Sum

from billing.models import (
    BillingProfile,
    Charge,
    CloseInputs,
    ContractSite,
    DocumentLine,
    EventDisposition,
    PeriodClose,
    PriceVersion,
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
    """The latest close, without its frozen inputs."""
    return closes().first()


def parts_of(close: PeriodClose) -> QuerySet[CloseInputs]:
    """What each part of a close read, in order."""
    return CloseInputs.objects.filter(close=close).order_by("part")


def marks_of(close: PeriodClose) -> dict[UUID, str]:
    """How each site's days up to the end of a close were agreed then, as a digest."""
    found: dict[UUID, str] = {}
    for marks in parts_of(close).values_list("inputs__marks", flat=True).iterator(chunk_size=1):
        found |= {UUID(site_id): mark for site_id, mark in (marks or {}).items()}
    return found


def first_price_on() -> date | None:
    """The first day of any price; None without prices."""
    return PriceVersion.objects.aggregate(first=Min("effective_from"))["first"]


def first_covered_on() -> date | None:
    """The first day that a contract covers a site; None without contracts."""
    return ContractSite.objects.aggregate(first=Min("starts_on"))["first"]


def payers() -> dict[UUID, UUID]:
    """The customers whose documents another one gets and pays, with that one."""
    return dict(BillingProfile.objects.exclude(bill_to=None).values_list("customer_id", "bill_to_id"))


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
    if not subject_ids and not event_ids:
        return {}
    return _latest(EventDisposition.objects.filter(Q(subject_id__in=subject_ids) | Q(event_id__in=event_ids)))


def dispositions_at(close: PeriodClose) -> dict[UUID, Disposition]:
    """Each event's disposition as it stood after a close."""
    return _latest(EventDisposition.objects.filter(close__month__lte=close.month))


def disposition_of(event_id: UUID) -> Disposition | None:
    """What became of an event at the latest close that knew it; None before one did."""
    return _latest(EventDisposition.objects.filter(event_id=event_id)).get(event_id)


def subjects_by_site(site_ids: Collection[UUID]) -> list[tuple[UUID, UUID]]:
    """These sites with the units, visits and sites that ever had an event disposed of there."""
    if not site_ids:
        return []
    rows = EventDisposition.objects.filter(site_id__in=site_ids)
    return list(rows.order_by().values_list("site_id", "subject_id").distinct())


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
    return _summed(Charge.objects.filter(subject_id__in=subject_ids))


def charged_ahead(subject_ids: Collection[UUID], month: date) -> dict[str, rating.Charge]:
    """``charged_for``, of what was charged in advance for a month and those after it."""
    rows = Charge.objects.filter(subject_id__in=subject_ids, in_advance=True, starts_on__gte=month)
    return _summed(rows)


def _summed(rows: QuerySet[Charge]) -> dict[str, rating.Charge]:
    summed: dict[str, rating.Charge] = {}
    for row in rows.order_by("close__month"):
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
    """What each charge that the log gives stood at after a close: not the minimum of an invoice, made of its other lines."""
    made = Charge.objects.filter(close__month__lte=close.month).exclude(rule=Rule.INVOICE_MINIMUM)
    rows = made.order_by().values("key")
    return dict(rows.annotate(total=Sum("amount")).values_list("key", "total"))


def sums() -> tuple[dict[str, Decimal], dict[str, Decimal], dict[str, Decimal]]:
    """By currency and net: all that was charged, what of it stands on documents, and what is open.

    What the office gave back by hand stands for no charge.
    """

    def by_currency(rows: Any, currency: str = "currency") -> dict[str, Decimal]:
        summed = rows.order_by().values(currency).annotate(total=Sum("amount"))
        return dict(summed.values_list(currency, "total"))

    return (
        by_currency(Charge.objects.all()),
        by_currency(DocumentLine.objects.filter(charge__isnull=False), "charge__currency"),
        by_currency(open_charges()),
    )
