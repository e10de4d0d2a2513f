"""Which documents a payment or a credit note settles, now or later."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from uuid import UUID

import accounts.queries
from accounts import clock, phrases, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.booking import store
from billing.commands.numbering import locked_series
from billing.models import Allocation, Payment
from billing.queries import ledger, settling
from billing.queries.settling import Standing
from billing.rules.chart import Chart
from billing.rules.dating import plain_day
from billing.rules.documents import amount_text
from billing.rules.ledger import Entry, Settled, settlement_entry
from billing.rules.money import MINOR_UNITS, smallest

LARGEST_AMOUNT = Decimal(10) ** 12
Asked = Sequence[tuple[str, Decimal]]


@dataclass(frozen=True, slots=True)
class Source:
    """What settles: whose it is, and how much of it is left. ``what`` names it in a refusal."""

    what: str
    customer_id: UUID
    legal_entity_id: UUID | None
    currency: str
    left: Decimal


def allocate_payment(*, actor: Actor, payment_id: UUID, allocations: Asked) -> Payment:
    """Let what is kept of a payment settle documents, by number and amount; booked today.

    NotFound for a payment or document that is not there, Conflict for more than is left of either, BadInput for a
    document of another customer, currency or legal entity.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.writing(actor):
        locked_series()
        money = settling.standing_of([settling.get_payment(payment_id)])[0]
        payment = money.payment
        refuse_odd_amounts(allocations, payment.currency)
        source = Source(
            _("the payment of {day}", day=plain_day(payment.received_on)),
            payment.customer_id,
            payment.legal_entity_id,
            payment.currency,
            money.left,
        )
        debts = settling.debts_by_number([number for number, _ in allocations])
        rows = settling_rows(payment, settled_debts(allocations, debts, source), _today())
        Allocation.objects.bulk_create(row for row, _ in rows)
        chart = ledger.charts()[payment.legal_entity_id]
        store(settlement_of(payment, row, debt, chart) for row, debt in rows)
        return payment


def allocate_credit(*, actor: Actor, credit_note: str, allocations: Asked) -> Standing:
    """Let what is left of a credit note settle other documents of its customer; gives the credit note as it stands.

    Both stand on the receivables, so the journal does not change. Refusals as for a payment.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.writing(actor):
        locked_series()
        note = next((one for one in settling.standings(numbers=[credit_note]) if one.is_credit), None)
        if note is None:
            raise NotFound(_("There is no credit note here with this number."))
        refuse_odd_amounts(allocations, note.currency)
        source = Source(note.number, note.customer_id, note.legal_entity_id, note.currency, note.left)
        debts = settling.debts_by_number([number for number, _ in allocations])
        made_on = _today()
        Allocation.objects.bulk_create(
            Allocation(
                id=uuid7(),
                credit_note_id=note.id,
                document_id=debt.id,
                amount=amount,
                made_on=max(made_on, debt.issued_on),
            )
            for debt, amount in settled_debts(allocations, debts, source)
        )
        return settling.standings(ids=[note.id])[0]


def settling_rows(
    payment: Payment, settled: Sequence[tuple[Standing, Decimal]], day: date
) -> list[tuple[Allocation, Standing]]:
    """What a payment settles on a day, not yet stored. Nothing is settled before the day that it was issued on."""
    return [
        (
            Allocation(
                id=uuid7(),
                payment=payment,
                document_id=debt.id,
                amount=amount,
                made_on=max(day, debt.issued_on),
            ),
            debt,
        )
        for debt, amount in settled
    ]


def settlement_of(payment: Payment, row: Allocation, debt: Standing, chart: Chart) -> Entry:
    """The entry of an allocation of kept money: prepayment against receivable."""
    return settlement_entry(
        Settled(
            allocation_id=row.id,
            payment_id=payment.id,
            customer_id=payment.customer_id,
            entity_id=payment.legal_entity_id,
            document_id=debt.id,
            document_number=debt.number,
            made_on=row.made_on,
            amount=row.amount,
            currency=payment.currency,
        ),
        chart,
    )


def settled_debts(
    allocations: Asked, debts: dict[str, Standing], source: Source, pointer: str = ""
) -> list[tuple[Standing, Decimal]]:
    """Each allocation's document with the amount, if the source and every document have as much left."""
    found = []
    for index, (number, amount) in enumerate(allocations):
        here = f"{pointer}/allocations/{index}"
        debt = debts.get(number)
        if debt is None:
            problem = Problem(
                f"{here}/document",
                "not-found",
                _("There is no invoice or opening debt here with this number."),
            )
            raise NotFound(_("{problem} Nothing was recorded.", problem=problem.detail), errors=[problem])
        _refuse_foreign(debt, source, here)
        if amount > debt.left:
            raise _too_much(here, number, amount, debt.left, source.currency)
        found.append((debt, amount))
    asked = sum((amount for _, amount in allocations), Decimal(0))
    if asked > source.left:
        raise _too_much(f"{pointer}/allocations", source.what, asked, source.left, source.currency)
    return found


def refuse_odd_amounts(allocations: Asked, currency: str, pointer: str = "") -> None:
    """BadInput for allocations that name a document twice, or whose amounts are none of the currency."""
    problems = []
    seen: set[str] = set()
    for index, (number, amount) in enumerate(allocations):
        here = f"{pointer}/allocations/{index}"
        problems += [
            Problem(f"{here}{one.pointer}", one.code, one.detail) for one in amount_problems(amount, currency)
        ]
        if number in seen:
            problems.append(Problem(f"{here}/document", "repeated", _("Name a document once.")))
        seen.add(number)
    if problems:
        raise BadInput(_("{problem} Nothing was recorded.", problem=problems[0].detail), errors=problems)


def amount_problems(amount: Decimal, currency: str) -> Iterator[Problem]:
    """Money that somebody hands over: above zero, in whole smallest units of a known currency."""
    if not isinstance(amount, Decimal) or not amount.is_finite() or not 0 < amount < LARGEST_AMOUNT:
        yield Problem("/amount", "out-of-range", _("An amount lies above 0 and below a million million."))
    elif currency not in MINOR_UNITS:
        yield Problem(
            "/currency",
            "currency",
            _("{currency} is not a currency of ISO 4217 that has minor units.", currency=currency),
        )
    elif amount % smallest(currency):
        yield Problem(
            "/amount",
            "decimals",
            _(
                "An amount in {currency} has {minor_units} decimals.",
                currency=currency,
                minor_units=MINOR_UNITS[currency],
            ),
        )


def _refuse_foreign(debt: Standing, source: Source, here: str) -> None:
    """Money settles debts of its own customer, currency and legal entity only."""
    if debt.customer_id != source.customer_id:
        wrong = _(
            "{number} is a document of another customer. Record the money as paid by that customer.",
            number=debt.number,
        )
    elif debt.currency != source.currency:
        wrong = _(
            "{number} is in {currency}; {what} is in {other}.",
            number=debt.number,
            currency=debt.currency,
            what=source.what,
            other=source.currency,
        )
    elif debt.legal_entity_id != source.legal_entity_id:
        wrong = _(
            "{number} was issued by another legal entity than the one that {what} came to.",
            number=debt.number,
            what=source.what,
        )
    else:
        return
    raise BadInput(
        _("{wrong} Nothing was recorded.", wrong=wrong),
        errors=[Problem(f"{here}/document", "does-not-fit", wrong)],
    )


def _too_much(pointer: str, what: str, asked: Decimal, left: Decimal, currency: str) -> Conflict:
    detail = _(
        "Of {what} {left} {currency} is left, and {asked} was to be settled.",
        what=what,
        left=phrases.amount(amount_text(left, currency)),
        currency=currency,
        asked=phrases.amount(format(asked.normalize(), "f")),
    )
    return Conflict(
        _(
            "{detail} Nothing was recorded: settle at most what is left, the rest is kept for the customer.",
            detail=detail,
        ),
        errors=[Problem(pointer, "more-than-left", detail)],
    )


def _today() -> date:
    return clock.today(accounts.queries.get_operator().zone)
