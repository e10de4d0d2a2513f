"""The words of a contract's terms, and the terms themselves as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum


class Mode(StrEnum):
    """What a contract bills for: each unit's month, each service of a unit, a flat month of the site, a base with units beyond it,
    or each visit.
    """

    UNIT_MONTH = "unit_month"
    UNIT_SERVICE = "unit_service"
    FLAT_SITE = "flat_site"
    BASE_PLUS = "base_plus"
    PER_VISIT = "per_visit"


class Proration(StrEnum):
    """What part of a monthly price a part of a month costs."""

    BY_DAYS = "by_days"  # days active / days of the whole month
    THIRTY_360 = "thirty_360"  # every month counts 30 days
    FIRST_FREE = "first_free"  # nothing for a month that is not whole at its start
    FIRST_FULL = "first_full"  # the whole price for any month begun


class NotAdmitted(StrEnum):
    """What a visit that was not let in costs."""

    BILLABLE = "billable"
    FREE = "free"


class CreditAs(StrEnum):
    """How work billed and then undone is given back: on the next invoice, or by a credit note of its own."""

    LINE = "line"
    CREDIT_NOTE = "credit_note"


class EndRule(StrEnum):
    """When a contract ends after notice: with the term that the notice runs out in (without terms: the month), or on that
    very day, but not before its first term is over.
    """

    PERIOD_END = "period_end"
    EXACT_DAY = "exact_day"


@dataclass(frozen=True, slots=True)
class Inclusion:
    """So many pieces of a kind of work are in the fee: ``per`` unit or site, ``every`` year of the contract or month."""

    event_type: str
    count: int
    per: str
    every: str


@dataclass(frozen=True, slots=True)
class Terms:
    """A contract's rules from ``effective_from`` on, until the next ones."""

    effective_from: date
    mode: Mode = Mode.UNIT_MONTH
    cycle_months: int = 1
    in_advance: bool = False
    proration: Proration = Proration.BY_DAYS
    base_units: int = 0
    visit_minimum: Decimal | None = None
    invoice_minimum: Decimal | None = None
    inclusions: tuple[Inclusion, ...] = ()
    install_waived: bool = False
    claw_back_months: int = 0
    not_admitted: NotAdmitted = NotAdmitted.BILLABLE
    credits_missed: bool = False
    make_good_days: int = 5
    credit_as: CreditAs = CreditAs.LINE
