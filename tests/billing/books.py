"""How the tests of closing keep an operator's books: a price list, a clock set past a month, and what was billed."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from accounts import clock, tenancy
from accounts.permissions import Role
from billing.commands import closing, prices
from billing.commands.prices import NewPriceItem
from billing.models import PeriodClose
from billing.queries import closes, documents
from tests.cast import Cast

APRIL, MAY, JUNE, JULY = (date(2026, month, 1) for month in (4, 5, 6, 7))


def on(month: int, day: int, hour: int = 10) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


def list_prices(cast: Cast, since: date = APRIL) -> None:
    prices.add_price_items(
        actor=cast.actors[Role.BOOKKEEPER],
        items=[
            NewPriceItem("month", "Unit and month", "unit_month", Decimal(30), since),
            NewPriceItem("install", "Installation", "install", Decimal(45), since),
            NewPriceItem("wick", "New wick", "event", Decimal("12.50"), since, event_type="wick.changed"),
        ],
    )


def close(cast: Cast, month: date, at: datetime | None = None, **how: Any) -> PeriodClose:
    with clock.playing(at or datetime(2026, month.month + 1, 3, 9, tzinfo=UTC)):
        return closing.close_month(actor=cast.actors[Role.BOOKKEEPER], month=month, **how)


def invoice_lines(cast: Cast, number: str) -> list[tuple[Any, ...]]:
    """Kind, item, service date, part and amount of each line."""
    with cast.reading():
        rows = documents.invoice_lines(documents.get_invoice(number).id)
        return [
            (r.charge.kind, r.charge.item_code, str(r.charge.service_on), str(r.charge.part), str(r.amount))
            for r in rows
            if r.charge is not None
        ]


def numbers(cast: Cast) -> list[str]:
    with cast.reading():
        return [invoice.number for invoice in documents.invoices_in_order()]


def total(cast: Cast) -> Decimal:
    with cast.reading():
        return sum((invoice.total for invoice in documents.invoices()), Decimal(0))


def charged(cast: Cast) -> Counter[tuple[Any, ...]]:
    """What stands charged by unit, item and month, whichever close made it; the same for operators of one shape."""
    units = {unit.id: number for number, unit in enumerate(cast.units)}
    found: Any = Counter()  # of Decimal amounts
    with tenancy.reading(cast.owner):
        for charge in closes.charged_for(units).values():
            found[units[charge.subject_id], charge.item_code, charge.service_on.month] += charge.amount
    return Counter({key: amount for key, amount in found.items() if amount})
