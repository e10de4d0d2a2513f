"""Money received of customers, and which documents it settles."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
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
from billing.commands.allocating import (
    Source,
    amount_problems,
    refuse_odd_amounts,
    settled_debts,
    settlement_of,
    settling_rows,
)
from billing.commands.booking import store
from billing.commands.numbering import locked_series
from billing.models import Allocation, Payment
from billing.queries import ledger, settling
from billing.queries.settling import Standing
from billing.queries.wording import in_operators_words
from billing.rules.dating import day_text, plain_day
from billing.rules.documents import amount_text
from billing.rules.ledger import Entry, Received, payment_entry

METHODS = ("transfer", "card", "cash", "cheque", "other")
MOST_REFERENCE, MOST_EXTERNAL_ID = 140, 80  # characters
FIRST_YEAR = 1900  # before it a date is a slip of the pen


@dataclass(frozen=True, slots=True)
class NewPayment:
    """Money received; ``allocations`` say how much of it settles which documents, by number. The rest is kept.

    ``external_id`` is the payer's or the bank's own name of it: sent twice, it is recorded once. ``legal_entity`` is the
    code of whose bank it came to, if no allocation says so; empty for the default one.
    """

    customer_id: UUID
    received_on: date
    amount: Decimal
    currency: str = ""
    method: str = "transfer"
    reference: str = ""
    external_id: str = ""
    allocations: Sequence[tuple[str, Decimal]] = ()
    legal_entity: str = ""


def record_payment(*, actor: Actor, payment: NewPayment) -> Payment:
    """Record one payment; see ``record_payments``."""
    return record_payments(actor=actor, payments=[payment])[0]


def record_payments(*, actor: Actor, payments: Sequence[NewPayment]) -> list[Payment]:
    """Record payments with what they settle, and book them; all or none, pointers begin with the payment's index.

    BadInput for what can't be a payment, NotFound for a customer or document that is not there, Conflict for more than
    is left of a document or of the payment, and for an ``external_id`` that names another payment, or this one with
    other allocations. One that names this very payment gives what is recorded already.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    currency = _usual_currency(actor)
    named = [replace(new, currency=new.currency or currency) for new in payments]
    with tenancy.writing(actor):
        return store_payments(named, recorded_by=actor.id)


def store_payments(payments: Sequence[NewPayment], *, recorded_by: UUID | None) -> list[Payment]:
    """In the open transaction: record payments that each name their currency, and book them; see ``record_payments``."""
    _refuse_odd(payments)
    locked_series()
    books = _Books(payments)
    recorded = [books.record(new, f"/{index}", recorded_by) for index, new in enumerate(payments)]
    Payment.objects.bulk_create(books.payments)
    Allocation.objects.bulk_create(books.allocations)
    store(books.entries)
    return recorded


class _Books:
    """What is there already, and what these payments add to it, one after the other."""

    def __init__(self, wanted: Sequence[NewPayment]) -> None:
        numbers = {number for new in wanted for number, _amount in new.allocations}
        external = {new.external_id for new in wanted} - {""}
        self.debts = settling.debts_by_number(numbers)
        self.known = {row.external_id: row for row in settling.payments_named(external)}
        self.settled_of_known = _settled_of(self.known.values())
        self.customers = accounts.queries.customers_in({new.customer_id for new in wanted})
        self.charts = ledger.charts()
        self.entities = ledger.entity_ids()
        self.today = clock.today(accounts.queries.get_operator().zone)
        self.payments: list[Payment] = []
        self.allocations: list[Allocation] = []
        self.entries: list[Entry] = []

    def record(self, new: NewPayment, pointer: str, recorded_by: UUID | None) -> Payment:
        """The payment, new or recorded before under its external id."""
        self._refuse_unfit(new, pointer)
        if (known := self.known.get(new.external_id)) is not None:
            same = _same(known, new, pointer)
            _refuse_others(new, self.settled_of_known[known.id], pointer)
            return same
        entity_id = self._entity(new, pointer)
        source = Source(_("the payment"), new.customer_id, entity_id, new.currency, new.amount)
        settled = settled_debts(new.allocations, self.debts, source, pointer)
        payment = Payment(
            id=uuid7(),
            customer_id=new.customer_id,
            legal_entity_id=entity_id,
            received_on=new.received_on,
            amount=new.amount,
            currency=new.currency,
            method=new.method,
            reference=new.reference,
            external_id=new.external_id,
            recorded_at=clock.now(),
            recorded_by=recorded_by,
        )
        if new.external_id:
            self.known[new.external_id] = payment
            self.settled_of_known[payment.id] = set(new.allocations)
        self._keep(payment, settling_rows(payment, settled, new.received_on))
        return payment

    def _keep(self, payment: Payment, rows: Sequence[tuple[Allocation, Standing]]) -> None:
        with in_operators_words():
            self._book(payment, rows)
        self.payments.append(payment)
        self.allocations += [row for row, _debt in rows]

    def _book(self, payment: Payment, rows: Sequence[tuple[Allocation, Standing]]) -> None:
        """What it settles on the day it came is booked with it, what only a later document asks for by itself."""
        chart = self.charts[payment.legal_entity_id]
        at_once = [row.amount for row, _debt in rows if row.made_on == payment.received_on]
        later = [(row, debt) for row, debt in rows if row.made_on != payment.received_on]
        received = Received(
            payment_id=payment.id,
            customer_id=payment.customer_id,
            entity_id=payment.legal_entity_id,
            received_on=payment.received_on,
            amount=payment.amount,
            settled=sum(at_once, Decimal(0)),
            currency=payment.currency,
            method=payment.method,
            reference=payment.reference,
        )
        self.entries += [
            payment_entry(received, chart),
            *(settlement_of(payment, row, debt, chart) for row, debt in later),
        ]
        for row, debt in rows:
            self.debts[debt.number] = replace(debt, settled=debt.settled + row.amount)

    def _entity(self, new: NewPayment, pointer: str) -> UUID | None:
        """Whose bank it came to: named, else the one that issued the first document it settles, else the default one."""
        if new.legal_entity:
            if new.legal_entity not in self.entities:
                raise _absent(f"{pointer}/legal_entity", _("There is no legal entity here with this code."))
            return self.entities[new.legal_entity]
        first = self.debts.get(new.allocations[0][0]) if new.allocations else None
        return ledger.default_entity_id() if first is None else first.legal_entity_id

    def _refuse_unfit(self, new: NewPayment, pointer: str) -> None:
        if new.customer_id not in self.customers:
            raise _absent(f"{pointer}/customer", _("There is no customer here with this id."))
        if new.received_on > self.today:
            problem = Problem(
                f"{pointer}/received_on",
                "in-future",
                _("Money is recorded once it is there: {today} at the latest.", today=day_text(self.today)),
            )
            raise BadInput(_("{problem} Nothing was recorded.", problem=problem.detail), errors=[problem])


def _same(known: Payment, new: NewPayment, pointer: str) -> Payment:
    """The payment recorded before, if it is this one."""
    if (known.customer_id, known.received_on, known.amount, known.currency) == (
        new.customer_id,
        new.received_on,
        new.amount,
        new.currency,
    ):
        return known
    detail = _(
        "{external_id} names another payment, of {amount} {currency} received on {received_on}.",
        external_id=new.external_id,
        amount=phrases.amount(amount_text(known.amount, known.currency)),
        currency=known.currency,
        received_on=plain_day(known.received_on),
    )
    raise Conflict(
        _("{detail} Nothing was recorded: give this payment a name of its own.", detail=detail),
        errors=[Problem(f"{pointer}/external_id", "taken", detail)],
    )


def _settled_of(known: Collection[Payment]) -> dict[UUID, set[tuple[str, Decimal]]]:
    """By id, the documents that payments settle or settled once, with the amounts."""
    found = settling.allocations_of_payments([row.id for row in known])
    return {
        payment_id: {(row.document.number, row.amount) for row in rows if row.undoes_id is None}
        for payment_id, rows in found.items()
    }


def _refuse_others(new: NewPayment, settled: Collection[tuple[str, Decimal]], pointer: str) -> None:
    """Conflict where a payment that is recorded already did not settle what it is to settle now."""
    for index, (number, amount) in enumerate(new.allocations):
        if (number, amount) not in settled:
            detail = _(
                "The payment {external_id} is recorded already, and does not settle {amount} {currency} of {number}.",
                external_id=new.external_id,
                amount=phrases.amount(amount_text(amount, new.currency)),
                currency=new.currency,
                number=number,
            )
            raise Conflict(
                _(
                    "{detail} Nothing was recorded: what is kept of it can settle documents in a step of its own.",
                    detail=detail,
                ),
                errors=[Problem(f"{pointer}/allocations/{index}", "taken", detail)],
            )


def _absent(pointer: str, detail: str) -> NotFound:
    return NotFound(
        _("{detail} Nothing was recorded.", detail=detail), errors=[Problem(pointer, "not-found", detail)]
    )


def _usual_currency(actor: Actor) -> str:
    with tenancy.reading(actor):
        return accounts.queries.get_operator().currency


def _refuse_odd(payments: Sequence[NewPayment]) -> None:
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(payments)
        for one in _problems(new)
    ]
    if problems:
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)
    for index, new in enumerate(payments):
        refuse_odd_amounts(new.allocations, new.currency, f"/{index}")


def _problems(new: NewPayment) -> Iterator[Problem]:
    yield from amount_problems(new.amount, new.currency)
    if new.method not in METHODS:
        yield Problem("/method", "method", _("Money comes by one of {methods}.", methods=", ".join(METHODS)))
    if new.received_on.year < FIRST_YEAR:
        yield Problem(
            "/received_on",
            "out-of-range",
            _("A payment lies in the years from {first_year} on.", first_year=FIRST_YEAR),
        )
    for name, text, most in (
        ("reference", new.reference, MOST_REFERENCE),
        ("external_id", new.external_id, MOST_EXTERNAL_ID),
    ):
        if len(text) > most or "\x00" in text:
            yield Problem(
                f"/{name}", "text", _("It has at most {most} characters that can be printed.", most=most)
            )
