"""A customer's statement of account: what moved its balance day by day, inside an operator's scope."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

import accounts.queries
from accounts.errors import BadInput, Problem
from accounts.languages import N_, _
from billing.models import Document, Payment, Refund
from billing.queries.documents import payable_of
from billing.rules.money import UnknownCurrency, minor_units
from billing.rules.vocabulary import method_word

_TEXTS = {
    "invoice": N_("Invoice {number}"),
    "credit_note": N_("Credit note {number}"),
    "opening": N_("Open debt brought forward {number}"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """What moved the balance: a document, or money that came or left. ``amount`` is positive where the customer owes more by it."""

    on: date
    kind: str
    number: str
    text: str
    amount: Decimal
    balance: Decimal
    id: UUID


@dataclass(frozen=True, slots=True)
class Statement:
    """The days [since, until], both included, in one currency. A balance above nothing is owed by the customer."""

    customer_id: UUID
    currency: str
    since: date
    until: date
    opening: Decimal
    rows: tuple[Row, ...]
    closing: Decimal


def currencies(customer_id: UUID) -> list[str]:
    """The currencies that a customer has documents or payments in, in the order of their codes."""
    documents = Document.objects.filter(customer_id=customer_id).order_by().values_list("currency", flat=True)
    payments = Payment.objects.filter(customer_id=customer_id).order_by().values_list("currency", flat=True)
    return sorted(set(documents.distinct()) | set(payments.distinct()))


def statement(customer_id: UUID, *, since: date, until: date, currency: str = "") -> Statement:
    """Documents, credit notes, payments and refunds of a customer by their days, with the balance before, between and after.

    In ``currency``, or the operator's own unless the customer has an account in others only, of which the first is
    taken. NotFound without the customer; BadInput for a currency that ISO 4217 does not know.
    """
    accounts.queries.get_customer(customer_id)
    currency = currency or _usual_currency(customer_id)
    _refuse_unknown(currency)
    opening, balance = Decimal(0), Decimal(0)
    rows = []
    for on, kind, number, text, amount, row_id in _moves(customer_id, until, currency):
        balance += amount
        if on < since:
            opening = balance
        else:
            rows.append(Row(on, kind, number, text, amount, balance, row_id))
    return Statement(customer_id, currency, since, until, opening, tuple(rows), balance)


def _refuse_unknown(currency: str) -> None:
    try:
        minor_units(currency)
    except UnknownCurrency as unknown:
        problem = Problem("/currency", "currency", str(unknown))
        raise BadInput(_("There is no such currency."), errors=[problem]) from unknown


def _usual_currency(customer_id: UUID) -> str:
    own, used = accounts.queries.get_operator().currency, currencies(customer_id)
    return own if own in used or not used else used[0]


def _payment_text(method: str, reference: str) -> str:
    if not reference:
        return _("Payment received, {method}", method=method_word(method))
    return _("Payment received, {method}, {reference}", method=method_word(method), reference=reference)


def _refund_text(refund: Refund) -> str:
    if refund.kind == "return":
        return (
            _("Payment taken back, {reason}", reason=refund.reference)
            if refund.reference
            else _("Payment taken back")
        )
    if not refund.reference:
        return _("Paid back, {method}", method=method_word(refund.method))
    return _(
        "Paid back, {method}, {reference}", method=method_word(refund.method), reference=refund.reference
    )


def _moves(customer_id: UUID, until: date, currency: str) -> list[tuple[date, str, str, str, Decimal, UUID]]:
    """By day; on one day documents before payments and refunds, each in the order they were made."""
    documents = Document.objects.filter(customer_id=customer_id, currency=currency, issued_on__lte=until)
    payments = Payment.objects.filter(customer_id=customer_id, currency=currency, received_on__lte=until)
    moves = []
    row: Any  # a document with what is to be paid of it
    for row in payable_of(documents).order_by("issued_on", "id"):
        sign = -1 if row.kind == "credit_note" else 1
        moves.append(
            (
                row.issued_on,
                row.kind,
                row.number,
                _(_TEXTS[row.kind], number=row.number),
                sign * row.payable,
                row.id,
            )
        )
    for payment in payments.order_by("received_on", "id"):
        text = _payment_text(payment.method, payment.reference)
        moves.append((payment.received_on, "payment", payment.reference, text, -payment.amount, payment.id))
    refunds = Refund.objects.filter(customer_id=customer_id, currency=currency, paid_on__lte=until)
    for refund in refunds.order_by("paid_on", "id"):
        moves.append(
            (refund.paid_on, refund.kind, refund.reference, _refund_text(refund), refund.amount, refund.id)
        )
    return sorted(moves, key=lambda move: move[0])
