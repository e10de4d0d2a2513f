"""Double entry as pure functions: what each document, payment, month and statement is booked as.

A posting's amount is signed: above zero it stands to the debit of its account, below zero to the credit. An entry that
does not sum to nothing can't be made. Entries are keyed by what they book and why, so the same one is never made twice.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Any
from uuid import UUID

from accounts import phrases
from accounts.languages import N_, _
from billing.rules.chart import Account, Chart
from billing.rules.dating import plain_month
from billing.rules.money import share_of

NOTHING = Decimal(0)
DAY = timedelta(days=1)


class Purpose(StrEnum):
    """Why an entry was made."""

    INVOICE = "invoice"
    CREDIT_NOTE = "credit_note"
    PAYMENT = "payment"
    SETTLEMENT = "settlement"
    REFUND = "refund"
    RETURN = "return"
    RELEASE = "release"
    OPENING = "opening"
    ROUNDING = "rounding"
    ROYALTY = "royalty"
    FUND = "fund"


_TEXTS = {
    Purpose.INVOICE: N_("Invoice {number}"),
    Purpose.CREDIT_NOTE: N_("Credit note {number}"),
    Purpose.OPENING: N_("Opening debt {number}"),
    Purpose.ROUNDING: N_("Cash rounding of {number}"),
    Purpose.RELEASE: N_("Revenue earned of {number} for {month}"),
}


class Unbalanced(ValueError):
    """What should be booked does not sum to nothing. The document or the caller is wrong; nothing may be stored."""


@dataclass(frozen=True, slots=True)
class Posting:
    """A signed amount on an account, above zero to the debit; for a site (its code), or a tax of a jurisdiction."""

    account: str
    amount: Decimal
    site: str = ""
    jurisdiction: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """A balanced entry of one legal entity (None: the operator's own name) in one currency."""

    key: str
    purpose: Purpose
    entry_on: date
    currency: str
    entity_id: UUID | None
    text: str
    postings: tuple[Posting, ...]
    customer_id: UUID | None = None
    document_id: UUID | None = None
    payment_id: UUID | None = None
    refund_id: UUID | None = None

    def __post_init__(self) -> None:
        off = sum((posting.amount for posting in self.postings), NOTHING)
        if off:
            raise Unbalanced(f"{self.text}: debit less credit is {off}, not nothing.")


@dataclass(frozen=True, slots=True)
class Booked:
    """An issued document as it is booked: its frozen JSON, and the ids that are not in it."""

    document_id: UUID
    sha256: str
    customer_id: UUID
    entity_id: UUID | None
    content: Mapping[str, Any]

    @property
    def purpose(self) -> Purpose:
        return Purpose(self.content["document"])

    @property
    def sign(self) -> int:
        """A credit note books the other way round."""
        return -1 if self.purpose is Purpose.CREDIT_NOTE else 1

    @property
    def entry_on(self) -> date:
        """The day it was issued; a debt from before the operator joined is booked on the day it was taken over."""
        return date.fromisoformat(self.content.get("opened_on") or self.content["issued_on"])


def entry_key(what: str, purpose: Purpose, *more: str) -> str:
    """SHA-256 of what is booked (a document's digest, a payment's id), why, and (a release) for which month."""
    return hashlib.sha256(":".join((what, purpose, *more)).encode()).hexdigest()


def document_entries(booked: Booked, chart: Chart) -> list[Entry]:
    """A document's entries: receivable against revenue and tax, and apart what cash rounding adds or takes.

    Revenue by account and site, tax by jurisdiction; lines in advance to deferred revenue. A credit note mirrors this.
    An opening debt stands against the opening account. The first posting of each is the receivable.
    """
    content, sign = booked.content, booked.sign
    total, rounding = sign * Decimal(content["total"]), sign * Decimal(content["cash_rounding"])
    receivable = chart[Account.RECEIVABLE]
    if booked.purpose is Purpose.OPENING:
        against = [Posting(chart[Account.OPENING], -total)]
    else:
        against = [*_income(booked, chart), *_tax(booked, chart)]
    made = [
        _entry(booked, booked.purpose, [Posting(receivable, total), *against]),
        _entry(
            booked,
            Purpose.ROUNDING,
            [Posting(receivable, rounding), Posting(chart[Account.CASH_ROUNDING], -rounding)],
        ),
    ]
    return [entry for entry in made if entry.postings]


def release_entry(booked: Booked, start: date, end: date, chart: Chart) -> Entry | None:
    """What of a document's deferred revenue the month [start, end) earned, day by day; None for nothing.

    A line's revenue up to a day is its amount x days gone by / days of its period, rounded half away from zero; a
    month earns the difference of two such sums, so all months together earn the line's amount exactly. The month of
    issue also earns what lies before it. An earlier month than that earns nothing.
    """
    issued_on = booked.entry_on
    if booked.purpose is Purpose.OPENING or issued_on >= end:
        return None
    currency = booked.content["currency"]
    earned: list[Posting] = []
    for line in booked.content["lines"]:
        if line["in_advance"]:
            before = NOTHING if issued_on >= start else earned_before(line, start, currency)
            amount = booked.sign * (earned_before(line, end, currency) - before)
            earned.append(Posting(chart[Account.DEFERRED], amount, _site(line)))
            earned.append(Posting(_revenue_account(line, chart), -amount, _site(line)))
    entry = _entry(booked, Purpose.RELEASE, _summed(earned), f"{start:%Y-%m}")
    return replace(entry, entry_on=end - DAY) if entry.postings else None


def earned_before(line: Mapping[str, Any], day: date, currency: str) -> Decimal:
    """What of a line's amount the days of its period before ``day`` earn, rounded."""
    first, end = (date.fromisoformat(line["period"][name]) for name in ("start", "end_exclusive"))
    gone = (min(max(day, first), end) - first).days
    return share_of(Decimal(line["amount"]), Decimal(gone), (end - first).days, currency)


@dataclass(frozen=True, slots=True)
class Received:
    """Money received of a customer; ``settled`` of it settles documents on that very day, the rest is kept."""

    payment_id: UUID
    customer_id: UUID
    entity_id: UUID | None
    received_on: date
    amount: Decimal
    settled: Decimal
    currency: str
    method: str
    reference: str


def payment_entry(received: Received, chart: Chart) -> Entry:
    """Bank or cash against receivable; what settles nothing yet is the customer's prepayment."""
    source = Account.CASH if received.method == "cash" else Account.BANK
    postings = [
        Posting(chart[source], received.amount),
        Posting(chart[Account.RECEIVABLE], -received.settled),
        Posting(chart[Account.PREPAYMENT], received.settled - received.amount),
    ]
    return Entry(
        key=entry_key(str(received.payment_id), Purpose.PAYMENT),
        purpose=Purpose.PAYMENT,
        entry_on=received.received_on,
        currency=received.currency,
        entity_id=received.entity_id,
        text=_("Payment {reference}", reference=received.reference).strip(),
        postings=_summed(postings),
        customer_id=received.customer_id,
        payment_id=received.payment_id,
    )


@dataclass(frozen=True, slots=True)
class Settled:
    """Kept money that settles a document later than it came."""

    allocation_id: UUID
    payment_id: UUID
    customer_id: UUID
    entity_id: UUID | None
    document_id: UUID
    document_number: str
    made_on: date
    amount: Decimal
    currency: str


def settlement_entry(settled: Settled, chart: Chart) -> Entry:
    """The customer's prepayment against receivable."""
    postings = [
        Posting(chart[Account.PREPAYMENT], settled.amount),
        Posting(chart[Account.RECEIVABLE], -settled.amount),
    ]
    return Entry(
        key=entry_key(str(settled.allocation_id), Purpose.SETTLEMENT),
        purpose=Purpose.SETTLEMENT,
        entry_on=settled.made_on,
        currency=settled.currency,
        entity_id=settled.entity_id,
        text=_("Settlement of {number}", number=settled.document_number),
        postings=tuple(postings),
        customer_id=settled.customer_id,
        document_id=settled.document_id,
        payment_id=settled.payment_id,
    )


@dataclass(frozen=True, slots=True)
class Owed:
    """What a month's statement says that the network is owed; either may be less than nothing."""

    sha256: str
    entity_id: UUID | None
    month: date
    issued_on: date
    currency: str
    royalty: Decimal
    fund: Decimal


def royalty_entries(owed: Owed, chart: Chart) -> list[Entry]:
    """Royalty and marketing fund, each as expense against what is owed for it; none for nothing."""
    parts = (
        (Purpose.ROYALTY, N_("Royalty for {month}"), owed.royalty, Account.ROYALTY, Account.ROYALTY_PAYABLE),
        (Purpose.FUND, N_("Marketing fund for {month}"), owed.fund, Account.FUND, Account.FUND_PAYABLE),
    )
    return [
        Entry(
            key=entry_key(owed.sha256, purpose),
            purpose=purpose,
            entry_on=owed.issued_on,
            currency=owed.currency,
            entity_id=owed.entity_id,
            text=_(what, month=phrases.month(owed.month)),
            postings=(Posting(chart[expense], amount), Posting(chart[payable], -amount)),
        )
        for purpose, what, amount, expense, payable in parts
        if amount
    ]


def _income(booked: Booked, chart: Chart) -> list[Posting]:
    deferred = chart[Account.DEFERRED]
    return [
        Posting(
            deferred if line["in_advance"] else _revenue_account(line, chart),
            -booked.sign * Decimal(line["amount"]),
            _site(line),
        )
        for line in booked.content["lines"]
    ]


def _tax(booked: Booked, chart: Chart) -> list[Posting]:
    return [
        Posting(chart[Account.TAX], -booked.sign * Decimal(group["tax"]), jurisdiction=group["jurisdiction"])
        for group in booked.content["tax_groups"]
    ]


def _entry(booked: Booked, purpose: Purpose, postings: Iterable[Posting], *more: str) -> Entry:
    content = booked.content
    month = plain_month(date.fromisoformat(f"{more[0]}-01")) if more else ""
    said = _(_TEXTS[purpose], number=content["number"], month=month)
    return Entry(
        key=entry_key(booked.sha256, purpose, *more),
        purpose=purpose,
        entry_on=booked.entry_on,
        currency=content["currency"],
        entity_id=booked.entity_id,
        text=said,
        postings=_summed(postings),
        customer_id=booked.customer_id,
        document_id=booked.document_id,
    )


def _summed(postings: Iterable[Posting]) -> tuple[Posting, ...]:
    """One posting for each account, site and jurisdiction, in the order of their first; none of nothing."""
    sums: dict[tuple[str, str, str], Decimal] = defaultdict(Decimal)
    for one in postings:
        sums[one.account, one.site, one.jurisdiction] += one.amount
    return tuple(
        Posting(account, amount, site, tax) for (account, site, tax), amount in sums.items() if amount
    )


def _revenue_account(line: Mapping[str, Any], chart: Chart) -> str:
    return line["account"] or chart[Account.REVENUE]


def _site(line: Mapping[str, Any]) -> str:
    return line["site"]["code"] if line["site"] else ""
