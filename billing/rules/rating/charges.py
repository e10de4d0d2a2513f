"""What rating gives: charges by rules, their keys, and the months they belong to."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any
from uuid import UUID

from billing.rules.dispositions import Disposition


class Rule(StrEnum):
    """By which rule a charge arose."""

    EVENT = "event"
    INSTALL = "install"
    UNIT_MONTH = "unit_month"
    SITE_MONTH = "site_month"
    EXTRA_UNIT = "extra_unit"
    VISIT = "visit"
    CALL_OUT = "call_out"
    VISIT_MINIMUM = "visit_minimum"
    INVOICE_MINIMUM = "invoice_minimum"
    MISSED_SERVICE = "missed_service"
    CLAW_BACK = "claw_back"


LISTED = "price_list"  # the clause of what no contract covers


@dataclass(frozen=True, slots=True)
class Charge:
    """Money from one event, or for one unit, visit or site in one month at one price.

    ``part`` of ``whole`` is what is billed of the price: days in service (in half days) of the days of the month, or
    1 of 1. The period is ``starts_on`` until the day before ``ends_before``, in local dates. ``clause`` is the rule of the
    contract or the list that it follows, ``workings`` the figures of its arithmetic, ``in_advance`` whether its days were
    still to come at the cut. ``billed_with``: the month at whose close it is due, if not its own.
    """

    key: str
    rule: Rule
    subject_id: UUID
    event_id: UUID | None
    item_code: str
    item_name: str
    price_version_id: UUID | None
    unit_price: Decimal
    currency: str
    customer_id: UUID
    agreement_id: UUID | None
    agreement_number: str
    site_id: UUID | None
    site_code: str
    site_name: str
    unit_code: str
    place: str
    service_on: date
    occurred_at: datetime | None
    starts_on: date
    ends_before: date
    part: Decimal
    whole: int
    amount: Decimal
    clause: str = LISTED
    contract_id: UUID | None = None
    contract_number: str = ""
    tax_class: str = "standard"
    revenue_account: str = ""
    in_advance: bool = False
    workings: Mapping[str, Any] = field(default_factory=dict)
    billed_with: date | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Rated:
    """What one subject's events came to. The counts are days in service of the last month that nothing was billed for."""

    dispositions: list[Disposition]
    charges: list[Charge]
    days_without_price: int = 0
    days_without_agreement: int = 0


def month_of(day: date) -> date:
    """The first day of a date's month."""
    return day.replace(day=1)


def month_after(month: date) -> date:
    """The first day of the next month: where a month ends, exclusive."""
    return date(month.year + month.month // 12, month.month % 12 + 1, 1)


def months_between(first: date, before: date) -> Iterator[date]:
    """The first days of the months from ``first`` on that begin before ``before``."""
    month = month_of(first)
    while month < before:
        yield month
        month = month_after(month)


def charge_key(operator_id: UUID, rule: Rule, *parts: object) -> str:
    """The same work at the same price under the same agreement always gives the same key, whenever it is rated."""
    text = "|".join([str(operator_id), str(rule), *(str(part) for part in parts)])
    return hashlib.sha256(text.encode()).hexdigest()
