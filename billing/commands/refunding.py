"""Money paid back to customers: of what a payment keeps, or of what a credit note has left."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from uuid import UUID

import accounts.queries
from accounts import clock, phrases, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.allocating import amount_problems
from billing.commands.booking import store
from billing.commands.numbering import locked_series
from billing.commands.payments import METHODS, MOST_EXTERNAL_ID, MOST_REFERENCE
from billing.models import Refund
from billing.queries import ledger, refunds, settling
from billing.rules.dating import day_text, plain_day
from billing.rules.documents import amount_text
from billing.rules.refunds import PaidBack, refund_entry


@dataclass(frozen=True, slots=True)
class NewRefund:
    """Money paid back of a payment (its id) or of a credit note (its number): one of the two, in its currency.

    ``external_id`` is the bank's or the program's own name of it: sent twice, it is recorded once.
    """

    amount: Decimal
    paid_on: date
    payment_id: UUID | None = None
    credit_note: str = ""
    method: str = "transfer"
    reference: str = ""
    external_id: str = ""


@dataclass(frozen=True, slots=True)
class _Origin:
    """Of what money is paid back; ``left`` is how much of it still may be. ``what`` names it in a refusal."""

    what: str
    since: date
    customer_id: UUID
    entity_id: UUID | None
    currency: str
    left: Decimal
    payment_id: UUID | None = None
    credit_note_id: UUID | None = None

    @property
    def key(self) -> UUID | None:
        return self.payment_id or self.credit_note_id


def record_refund(*, actor: Actor, refund: NewRefund) -> Refund:
    """Record one refund; see ``record_refunds``."""
    return record_refunds(actor=actor, refunds=[refund])[0]


def record_refunds(*, actor: Actor, refunds: Sequence[NewRefund]) -> list[Refund]:
    """Record money paid back, and book it; all or none, pointers begin with the refund's index.

    BadInput for what can't be a refund, NotFound for a payment or credit note that is not there, Conflict for more than
    is left of it, and for an ``external_id`` that names another refund. One that names this very refund gives what is
    recorded already.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    _refuse_odd(refunds)
    with tenancy.writing(actor):
        locked_series()
        till = _Till(refunds)
        recorded = [till.pay_back(new, f"/{index}", actor.id) for index, new in enumerate(refunds)]
        Refund.objects.bulk_create(till.made)
        charts = ledger.charts()
        store(refund_entry(paid_back(row), charts[row.legal_entity_id]) for row in till.made)
        return recorded


def paid_back(row: Refund) -> PaidBack:
    """A stored refund as it is booked."""
    return PaidBack(
        refund_id=row.id,
        customer_id=row.customer_id,
        entity_id=row.legal_entity_id,
        payment_id=row.payment_id,
        document_id=row.credit_note_id,
        paid_on=row.paid_on,
        amount=row.amount,
        currency=row.currency,
        method=row.method,
        reference=row.reference,
    )


class _Till:
    """What is there already, and what these refunds take out of it, one after the other."""

    def __init__(self, wanted: Sequence[NewRefund]) -> None:
        names = {new.external_id for new in wanted} - {""}
        self.known = {row.external_id: row for row in refunds.refunds_named(names)}
        self.today = clock.today(accounts.queries.get_operator().zone)
        self.origins: dict[UUID | str, _Origin] = {}
        self.made: list[Refund] = []

    def pay_back(self, new: NewRefund, pointer: str, recorded_by: UUID | None) -> Refund:
        """The refund, new or recorded before under its external id."""
        origin = self._origin(new, pointer)
        _refuse_day(new.paid_on, origin.since, self.today, f"{pointer}/paid_on")
        if (known := self.known.get(new.external_id)) is not None:
            return _same(known, new, origin, pointer)
        _refuse_amount(new, origin, pointer)
        row = Refund(
            id=uuid7(),
            kind="refund",
            customer_id=origin.customer_id,
            legal_entity_id=origin.entity_id,
            payment_id=origin.payment_id,
            credit_note_id=origin.credit_note_id,
            paid_on=new.paid_on,
            amount=new.amount,
            currency=origin.currency,
            method=new.method,
            reference=new.reference,
            external_id=new.external_id,
            recorded_at=clock.now(),
            recorded_by=recorded_by,
        )
        if new.external_id:
            self.known[new.external_id] = row
        self.origins[new.payment_id or new.credit_note] = replace(origin, left=origin.left - new.amount)
        self.made.append(row)
        return row

    def _origin(self, new: NewRefund, pointer: str) -> _Origin:
        asked = new.payment_id or new.credit_note
        if asked not in self.origins:
            try:
                self.origins[asked] = _of_payment(asked) if isinstance(asked, UUID) else _of_credit(asked)
            except NotFound as absent:
                here = f"{pointer}/{'payment' if isinstance(asked, UUID) else 'credit_note'}"
                raise NotFound(
                    _("{detail} Nothing was recorded.", detail=absent.detail),
                    errors=[Problem(here, "not-found", absent.detail)],
                ) from None
        return self.origins[asked]


def _of_payment(payment_id: UUID) -> _Origin:
    money = settling.standing_of([settling.get_payment(payment_id)])[0]
    payment = money.payment
    return _Origin(
        _("the payment of {day}", day=plain_day(payment.received_on)),
        payment.received_on,
        payment.customer_id,
        payment.legal_entity_id,
        payment.currency,
        money.left,
        payment_id=payment.id,
    )


def _of_credit(number: str) -> _Origin:
    note = refunds.get_credit(number)
    return _Origin(
        note.number,
        note.issued_on,
        note.customer_id,
        note.legal_entity_id,
        note.currency,
        note.left,
        credit_note_id=note.id,
    )


def _refuse_day(day: date, since: date, today: date, pointer: str) -> None:
    """BadInput for money that left before it was there, or that will only leave."""
    if since <= day <= today:
        return
    if day > today:
        code, detail = (
            "in-future",
            _("Money is recorded once it left: {today} at the latest.", today=day_text(today)),
        )
    else:
        code, detail = (
            "before-start",
            _("It left before it was there: {since} at the earliest.", since=day_text(since)),
        )
    raise BadInput(
        _("{detail} Nothing was recorded.", detail=detail), errors=[Problem(pointer, code, detail)]
    )


def _refuse_amount(new: NewRefund, origin: _Origin, pointer: str) -> None:
    problems = [
        Problem(f"{pointer}{one.pointer}", one.code, one.detail)
        for one in amount_problems(new.amount, origin.currency)
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)
    if new.amount <= origin.left:
        return
    detail = _(
        "Of {what} {left} {currency} is left, and {asked} was to be paid back.",
        what=origin.what,
        left=phrases.amount(amount_text(origin.left, origin.currency)),
        currency=origin.currency,
        asked=phrases.amount(amount_text(new.amount, origin.currency)),
    )
    raise Conflict(
        _(
            "{detail} Nothing was recorded: pay back at most what is left. What settles documents has to be undone first.",
            detail=detail,
        ),
        errors=[Problem(f"{pointer}/amount", "more-than-left", detail)],
    )


def _same(known: Refund, new: NewRefund, origin: _Origin, pointer: str) -> Refund:
    """The refund recorded before, if it is this one."""
    its = (known.kind, known.payment_id or known.credit_note_id, known.paid_on, known.amount)
    if its == ("refund", origin.key, new.paid_on, new.amount):
        return known
    raise taken(known, pointer)


def taken(known: Refund, pointer: str) -> Conflict:
    """That an external id names another refund, or another returned payment."""
    detail = _(
        "{external_id} names another refund, of {amount} {currency} on {paid_on}.",
        external_id=known.external_id,
        amount=phrases.amount(amount_text(known.amount, known.currency)),
        currency=known.currency,
        paid_on=plain_day(known.paid_on),
    )
    return Conflict(
        _("{detail} Nothing was recorded: give this one a name of its own.", detail=detail),
        errors=[Problem(f"{pointer}/external_id", "taken", detail)],
    )


def _refuse_odd(refunds: Sequence[NewRefund]) -> None:
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(refunds)
        for one in _problems(new)
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)


def _problems(new: NewRefund) -> Iterator[Problem]:
    if (new.payment_id is None) == (not new.credit_note):
        yield Problem(
            "/payment", "source", _("Name either the payment or the credit note that it is paid back of.")
        )
    if new.method not in METHODS:
        yield Problem("/method", "method", _("Money leaves by one of {methods}.", methods=", ".join(METHODS)))
    yield from text_problems(new.reference, new.external_id)


def text_problems(reference: str, external_id: str, name: str = "reference") -> Iterator[Problem]:
    """Texts that are too long, or can't be stored."""
    for field, text, most in (
        (name, reference, MOST_REFERENCE),
        ("external_id", external_id, MOST_EXTERNAL_ID),
    ):
        if len(text) > most or "\x00" in text:
            yield Problem(
                f"/{field}", "text", _("It has at most {most} characters that can be printed.", most=most)
            )
