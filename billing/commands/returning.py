"""Undoing what settled: a payment that the bank took back, and an allocation to the wrong document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from uuid import UUID

import accounts.queries
from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.booking import store
from billing.commands.numbering import locked_series
from billing.commands.refunding import taken, text_problems
from billing.models import Allocation, Payment, Refund
from billing.queries import ledger, refunds, settling
from billing.queries.settling import Money
from billing.rules.dating import day_text, plain_day
from billing.rules.ledger import Entry, Settled
from billing.rules.refunds import TakenBack, released_entry, return_entry


def return_payment(
    *, actor: Actor, payment_id: UUID, returned_on: date, reason: str = "", external_id: str = ""
) -> Refund:
    """Take a payment back that bounced: what it settled is open again, and the money leaves the bank. Once a payment.

    Of a payment that was paid back in part the rest is taken back. NotFound without the payment; BadInput for a day
    before it came or to come; Conflict if it was taken back on another day, if all of it was paid back, or for an
    ``external_id`` that names something else. The same return again gives what is recorded.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    _refuse_texts(reason, external_id)
    with tenancy.writing(actor):
        locked_series()
        return take_back(payment_id, returned_on, reason, external_id, recorded_by=actor.id)


def take_back(
    payment_id: UUID, returned_on: date, reason: str = "", external_id: str = "", *, recorded_by: UUID | None
) -> Refund:
    """``return_payment`` in the open transaction of whoever holds the lock of the number series."""
    money = settling.standing_of([settling.get_payment(payment_id)])[0]
    known = _known(money.payment, returned_on, external_id)
    if known is not None:
        return known
    _refuse_day(returned_on, money.payment)
    row = _row(money, returned_on, reason, external_id)
    row.recorded_by = recorded_by
    undoing = _undone(refunds.live_allocations().filter(payment_id=payment_id), returned_on)
    Allocation.objects.bulk_create(undoing)
    row.save(force_insert=True)
    _book(row, money.payment, undoing)
    return row


def release_allocation(
    *, actor: Actor, allocation_id: UUID, payment_id: UUID | None = None, credit_note: str = ""
) -> Allocation:
    """Undo what a payment or a credit note settles of one document; gives the row that undoes it. Booked today.

    Its money is kept for the customer again. ``payment_id`` or ``credit_note``: whose it must be. NotFound if it is not
    there or of another; Conflict if it was undone before.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.writing(actor):
        locked_series()
        row = refunds.get_allocation(allocation_id)
        _refuse_of_another(row, payment_id, credit_note)
        if row.undoes_id is not None or not refunds.live_allocations().filter(id=row.id).exists():
            raise Conflict(_("This was undone already: it settles nothing."))
        (undoing,) = _undone([row], _today())
        undoing.save(force_insert=True)
        if (payment := row.payment) is not None:
            chart = ledger.charts()[payment.legal_entity_id]
            store(released_entry(_settled(one, payment), chart) for one in [undoing])
        return undoing


def _known(payment: Payment, returned_on: date, external_id: str) -> Refund | None:
    """The return recorded before, if it is this one."""
    named = refunds.refunds_named([external_id]).first() if external_id else None
    if named is not None:
        if (named.payment_id, named.kind, named.paid_on) != (payment.id, "return", returned_on):
            raise taken(named, "")
        return named
    known = refunds.return_of(payment.id)
    if known is None or (known.paid_on == returned_on and "" in {known.external_id, external_id}):
        return known
    detail = _("This payment was taken back on {day} already.", day=plain_day(known.paid_on))
    raise Conflict(
        _("{detail} Nothing was recorded.", detail=detail),
        errors=[Problem("/returned_on", "taken", detail)],
    )


def _refuse_day(returned_on: date, payment: Payment) -> None:
    today = _today()
    if payment.received_on <= returned_on <= today:
        return
    detail = _(
        "It came on {received_on}, so it was taken back between that day and today, {today}.",
        received_on=day_text(payment.received_on),
        today=day_text(today),
    )
    raise BadInput(
        _("{detail} Nothing was recorded.", detail=detail),
        errors=[Problem("/returned_on", "out-of-range", detail)],
    )


def _refuse_texts(reason: str, external_id: str) -> None:
    if problems := list(text_problems(reason, external_id, "reason")):
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)


def _refuse_of_another(row: Allocation, payment_id: UUID | None, credit_note: str) -> None:
    note = row.credit_note.number if row.credit_note else ""
    if payment_id not in {None, row.payment_id} or credit_note not in {"", note}:
        raise NotFound(_("There is nothing here that settles a document, with this id."))


def _row(money: Money, returned_on: date, reason: str, external_id: str) -> Refund:
    payment = money.payment
    amount = payment.amount - money.refunded
    if not amount:
        raise Conflict(_("All of this payment was paid back, so the bank has nothing to take back of it."))
    return Refund(
        id=uuid7(),
        kind="return",
        customer_id=payment.customer_id,
        legal_entity_id=payment.legal_entity_id,
        payment=payment,
        paid_on=returned_on,
        amount=amount,
        currency=payment.currency,
        method=payment.method,
        reference=reason,
        external_id=external_id,
        recorded_at=clock.now(),
    )


def _undone(rows: Iterable[Allocation], day: date) -> list[Allocation]:
    """The rows that undo others, none before the day of what it undoes."""
    return [
        Allocation(
            id=uuid7(),
            payment_id=row.payment_id,
            credit_note_id=row.credit_note_id,
            document=row.document,
            amount=-row.amount,
            made_on=max(day, row.made_on),
            undoes=row,
        )
        for row in rows
    ]


def _book(row: Refund, payment: Payment, undoing: Sequence[Allocation]) -> None:
    """What is undone on the day it left is booked with it, what only a later day undoes by itself."""
    chart = ledger.charts()[payment.legal_entity_id]
    at_once = [one.amount for one in undoing if one.made_on == row.paid_on]
    later = [one for one in undoing if one.made_on != row.paid_on]
    taken_back = TakenBack(
        refund_id=row.id,
        payment_id=payment.id,
        customer_id=payment.customer_id,
        entity_id=payment.legal_entity_id,
        returned_on=row.paid_on,
        amount=row.amount,
        undone=-sum(at_once, Decimal(0)),
        currency=row.currency,
        method=row.method,
        reference=payment.reference,
    )

    def entries() -> Iterator[Entry]:
        yield return_entry(taken_back, chart)
        for one in later:
            yield released_entry(_settled(one, payment), chart)

    store(entries())


def _settled(row: Allocation, payment: Payment) -> Settled:
    return Settled(
        allocation_id=row.id,
        payment_id=payment.id,
        customer_id=payment.customer_id,
        entity_id=payment.legal_entity_id,
        document_id=row.document_id,
        document_number=row.document.number,
        made_on=row.made_on,
        amount=row.amount,
        currency=payment.currency,
    )


def _today() -> date:
    return clock.today(accounts.queries.get_operator().zone)
