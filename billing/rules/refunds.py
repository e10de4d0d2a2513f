"""Money that leaves again, in double entry: paid back to a customer, or a payment that the bank took back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from uuid import UUID

from accounts.languages import _
from billing.rules.chart import Account, Chart
from billing.rules.ledger import Entry, Posting, Purpose, Settled, entry_key, settlement_entry


@dataclass(frozen=True, slots=True)
class PaidBack:
    """Money paid back to a customer, of what a payment keeps; or, with no payment, of what a credit note has left."""

    refund_id: UUID
    customer_id: UUID
    entity_id: UUID | None
    payment_id: UUID | None
    document_id: UUID | None
    paid_on: date
    amount: Decimal
    currency: str
    method: str
    reference: str


def refund_entry(paid: PaidBack, chart: Chart) -> Entry:
    """The customer's prepayment, or receivable for a credit note, against bank or cash."""
    stood = Account.RECEIVABLE if paid.payment_id is None else Account.PREPAYMENT
    return Entry(
        key=entry_key(str(paid.refund_id), Purpose.REFUND),
        purpose=Purpose.REFUND,
        entry_on=paid.paid_on,
        currency=paid.currency,
        entity_id=paid.entity_id,
        text=_("Refund {reference}", reference=paid.reference).strip(),
        postings=(Posting(chart[stood], paid.amount), Posting(chart[_source(paid.method)], -paid.amount)),
        customer_id=paid.customer_id,
        document_id=paid.document_id,
        payment_id=paid.payment_id,
        refund_id=paid.refund_id,
    )


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A payment that the bank took back; ``undone`` of it settled documents until that very day, the rest was kept."""

    refund_id: UUID
    payment_id: UUID
    customer_id: UUID
    entity_id: UUID | None
    returned_on: date
    amount: Decimal
    undone: Decimal
    currency: str
    method: str
    reference: str


def return_entry(taken: TakenBack, chart: Chart) -> Entry:
    """A payment's entry the other way round: receivable and prepayment against bank or cash."""
    postings = (
        Posting(chart[Account.RECEIVABLE], taken.undone),
        Posting(chart[Account.PREPAYMENT], taken.amount - taken.undone),
        Posting(chart[_source(taken.method)], -taken.amount),
    )
    return Entry(
        key=entry_key(str(taken.refund_id), Purpose.RETURN),
        purpose=Purpose.RETURN,
        entry_on=taken.returned_on,
        currency=taken.currency,
        entity_id=taken.entity_id,
        text=_("Payment {reference} returned", reference=taken.reference).replace("  ", " "),
        postings=tuple(posting for posting in postings if posting.amount),
        customer_id=taken.customer_id,
        payment_id=taken.payment_id,
        refund_id=taken.refund_id,
    )


def released_entry(undone: Settled, chart: Chart) -> Entry:
    """What no longer settles a document goes back to the customer's prepayment; ``undone.amount`` is below zero."""
    entry = settlement_entry(undone, chart)
    return replace(entry, text=_("Settlement of {number} undone", number=undone.document_number))


def _source(method: str) -> Account:
    return Account.CASH if method == "cash" else Account.BANK
