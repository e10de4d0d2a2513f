"""How old what is owed is: five bands by the days past due, and what customers have to their credit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from enum import StrEnum
from uuid import UUID


class Band(StrEnum):
    """By whole days past the due day: on it nothing is past due yet."""

    NOT_DUE = "not_due"
    TO_30 = "days_1_30"
    TO_60 = "days_31_60"
    TO_90 = "days_61_90"
    OVER_90 = "days_over_90"


_LAST_DAYS = ((Band.NOT_DUE, 0), (Band.TO_30, 30), (Band.TO_60, 60), (Band.TO_90, 90))


def band(due_on: date, at: date) -> Band:
    """The band of a debt at a day."""
    past_due = (at - due_on).days
    return next((one for one, last in _LAST_DAYS if past_due <= last), Band.OVER_90)


@dataclass(frozen=True, slots=True)
class Item:
    """What is left of one debt; or, with ``due_on`` None, what a customer has to its credit."""

    customer_id: UUID
    currency: str
    due_on: date | None
    left: Decimal


@dataclass(slots=True)
class Aged:
    """What one customer owes in one currency, by band; ``credit`` is what it may still settle, ``balance`` the rest."""

    customer_id: UUID
    currency: str
    bands: dict[Band, Decimal] = field(default_factory=lambda: dict.fromkeys(Band, Decimal(0)))
    credit: Decimal = Decimal(0)

    @property
    def owed(self) -> Decimal:
        return sum(self.bands.values(), Decimal(0))

    @property
    def balance(self) -> Decimal:
        return self.owed - self.credit


def aged(items: Iterable[Item], at: date) -> dict[tuple[UUID, str], Aged]:
    """By customer and currency, what they owe at a day and how old it is."""
    found: dict[tuple[UUID, str], Aged] = {}
    for item in items:
        row = found.setdefault((item.customer_id, item.currency), Aged(item.customer_id, item.currency))
        if item.due_on is None:
            row.credit += item.left
        else:
            row.bands[band(item.due_on, at)] += item.left
    return found
