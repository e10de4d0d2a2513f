"""From charges to lines: what is new since the last close."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

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
    # A month of a cycle is billed with the cycle's last one, and is not late then.
    is_late = charge.starts_on < month and (charge.billed_with or charge.starts_on) < month
    return Line(Kind.LATE if is_late else Kind.REGULAR, charge)
