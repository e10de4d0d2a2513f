"""From charges to lines and from lines to invoices: what is new since the last close, and who gets it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from billing.rules.rating import Charge


class Kind(StrEnum):
    """A line of the closed month, one for an earlier month, or one that takes back what was billed."""

    REGULAR = "regular"
    LATE = "late"
    CREDIT = "credit"


@dataclass(frozen=True, slots=True)
class Line:
    """The difference between a charge as rated now and what earlier closes made of it."""

    kind: Kind
    charge: Charge

    @property
    def sort_key(self) -> tuple[str, date, str, str, str, str]:
        """Site code, service date, instant, unit, then the charge's key: stable whatever the order of rating."""
        charge = self.charge
        instant = charge.occurred_at.isoformat() if charge.occurred_at else ""
        return (charge.site_code, charge.service_on, instant, charge.unit_code, charge.key, self.kind)


@dataclass(frozen=True, slots=True)
class Draft:
    """The lines one customer gets on one invoice, in order; it has no number yet."""

    customer_id: UUID
    currency: str
    lines: tuple[Line, ...]

    @property
    def total(self) -> Decimal:
        return sum((line.charge.amount for line in self.lines), Decimal(0))


def differences(charges: Iterable[Charge], earlier: Mapping[str, Charge], month: date) -> list[Line]:
    """Lines for every charge whose amount is not what ``earlier`` says, and credits for those no longer there.

    ``earlier`` gives per charge key the sum of its lines so far. A charge stays with the customer it was first billed
    to, and a difference covers the days of both. ``month`` is the one being closed: what belongs to an earlier one is
    late.
    """
    lines = []
    now = {charge.key: charge for charge in charges}
    for key, charge in now.items():
        was = earlier.get(key)
        if was is None:
            lines.append(_line(charge, month))
        elif charge.amount != was.amount:
            changed = replace(
                charge,
                customer_id=was.customer_id,
                service_on=min(charge.service_on, was.service_on),
                starts_on=min(charge.starts_on, was.starts_on),
                ends_before=max(charge.ends_before, was.ends_before),
                part=charge.part - was.part,
                amount=charge.amount - was.amount,
            )
            lines.append(_line(changed, month))
    for key, was in earlier.items():
        if key not in now and was.amount:
            lines.append(_line(replace(was, part=-was.part, amount=-was.amount), month))
    return lines


def _line(charge: Charge, month: date) -> Line:
    if charge.amount < 0:
        return Line(Kind.CREDIT, charge)
    return Line(Kind.LATE if charge.starts_on < month else Kind.REGULAR, charge)


def drafts(lines: Iterable[Line], customer_codes: Mapping[UUID, str]) -> tuple[list[Draft], list[Line]]:
    """One draft per customer and currency in the order of the customers' codes, and the lines that stay open.

    An invoice is never negative: where a customer's lines sum to less than nothing they all stay open, and a later
    close takes them up with its own until the sum is not negative. Lines that are all zero wait likewise.
    """
    by_customer: dict[tuple[str, UUID, str], list[Line]] = {}
    for line in lines:
        customer_id = line.charge.customer_id
        key = (customer_codes[customer_id], customer_id, line.charge.currency)
        by_customer.setdefault(key, []).append(line)
    issued: list[Draft] = []
    still_open: list[Line] = []
    for _, customer_id, currency in sorted(by_customer):
        key = (customer_codes[customer_id], customer_id, currency)
        draft = Draft(customer_id, currency, tuple(sorted(by_customer[key], key=lambda line: line.sort_key)))
        if draft.total >= 0 and any(line.charge.amount for line in draft.lines):
            issued.append(draft)
        else:
            still_open += draft.lines
    return issued, still_open
