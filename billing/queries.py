"""Every read of billing that others use, inside an operator's scope."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet, Sum

from accounts.errors import NotFound
from billing.models import (
    Charge,
    Document,
    DocumentLine,
    EventDisposition,
    PeriodClose,
    PriceItem,
    PriceVersion,
)
from billing.rules import rating
from billing.rules.dispositions import Disposition, Outcome, Reason
from billing.rules.inputs import Basis, Item, Version
from billing.rules.invoicing import Kind, Line
from billing.rules.rating import Rule


@dataclass(frozen=True, slots=True)
class PricedItem:
    """An item of the price list with its prices, the earliest first."""

    item: PriceItem
    prices: tuple[PriceVersion, ...]


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One item of the price list as it stands on a day; ``amount`` None before its first price."""

    code: str
    name: str
    basis: str
    fixture: str
    event_type: str
    amount: Decimal | None
    currency: str
    effective_from: date | None
    effective_to: date | None


@dataclass(frozen=True, slots=True)
class BilledOn:
    """Where an event stands: the invoice and line, or number "" and line 0 while its charge is open."""

    number: str
    line: int
    issued_on: date | None
    kind: str
    amount: Decimal
    currency: str


# Prices


def price_items() -> QuerySet[PriceItem]:
    return PriceItem.objects.order_by("code")


def get_price_item(code: str) -> PriceItem:
    item = PriceItem.objects.filter(code=code).first()
    if item is None:
        raise NotFound("There is no price item here with this code.")
    return item


def price_versions() -> QuerySet[PriceVersion]:
    """Every price, an item's earliest first."""
    return PriceVersion.objects.select_related("item").order_by("item__code", "effective_from")


def with_prices(items: Sequence[PriceItem]) -> list[PricedItem]:
    """Items beside their prices, in the order given."""
    prices: dict[UUID, list[PriceVersion]] = defaultdict(list)
    for version in price_versions().filter(item_id__in=[item.id for item in items]):
        prices[version.item_id].append(version)
    return [PricedItem(item, tuple(prices[item.id])) for item in items]


def priced_items() -> list[Item]:
    """The price list as rating reads it, by code."""
    versions: dict[UUID, list[Version]] = defaultdict(list)
    for row in price_versions():
        versions[row.item_id].append(
            Version(row.id, row.amount, row.currency, row.effective_from, row.effective_to)
        )
    return [
        Item(item.code, item.name, Basis(item.basis), item.fixture, item.event_type, tuple(versions[item.id]))
        for item in price_items()
    ]


def price_list(on: date) -> list[PriceRow]:
    """Every item with its price on a day, by code."""
    rows = []
    for item in priced_items():
        version = item.version_on(on)
        rows.append(
            PriceRow(
                item.code,
                item.name,
                str(item.basis),
                item.fixture,
                item.event_type,
                version.amount if version else None,
                version.currency if version else "",
                version.effective_from if version else None,
                version.effective_to if version else None,
            )
        )
    return rows


# Closes


def closes() -> QuerySet[PeriodClose]:
    """The closes, the latest first, without their frozen inputs."""
    return PeriodClose.objects.defer("inputs").order_by("-month")


def closes_in_order() -> QuerySet[PeriodClose]:
    return PeriodClose.objects.order_by("month")


def last_close() -> PeriodClose | None:
    return PeriodClose.objects.order_by("-month").first()


# Dispositions


_COLUMNS = ("event_id", "subject_id", "site_id", "outcome", "reason", "charge_key", "superseded_by")


def _disposition(row: tuple[Any, ...]) -> Disposition:
    return Disposition(row[0], row[1], row[2], Outcome(row[3]), Reason(row[4]), row[5], row[6])


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


# Charges


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


# Invoices


def invoices() -> QuerySet[Document]:
    """The invoices, the latest number first, without their documents."""
    return Document.objects.select_related("customer").defer("document").order_by("-series__code", "-ordinal")


def invoices_in_order() -> QuerySet[Document]:
    return Document.objects.order_by("series_id", "ordinal")


def last_digest(series_id: UUID) -> str:
    """The digest of a series' last document, which the next one names; "" before the first."""
    last = (
        Document.objects.filter(series_id=series_id)
        .order_by("-ordinal")
        .values_list("document_sha256", flat=True)
    )
    return last.first() or ""


def get_invoice(number: str) -> Document:
    invoice = Document.objects.select_related("customer", "close").filter(number=number).first()
    if invoice is None:
        raise NotFound("There is no invoice here with this number.")
    return invoice


def invoice_lines(invoice_id: UUID) -> QuerySet[DocumentLine]:
    """An invoice's lines in order, each with its charge."""
    return DocumentLine.objects.filter(document_id=invoice_id).select_related("charge").order_by("line")


def lines_as_rated(invoice_id: UUID) -> list[Line]:
    return [as_line(row.charge) for row in invoice_lines(invoice_id)]


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
