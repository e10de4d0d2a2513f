"""One payment known from two sides: what somebody recorded, and what the bank states of it, is booked once."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import Conflict
from accounts.permissions import Role
from billing.commands import bank_files
from billing.commands.payments import NewPayment, record_payment
from billing.commands.returning import return_payment
from billing.queries import ledger, settling
from billing.queries.bank import entries
from tests.billing.bank.files import Entry, camt
from tests.billing.bank.files import Said as Statement
from tests.billing.books_of_account import Said, content, issue


@pytest.fixture
def billed(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    return north


def take_in(cast, *said, **rest):
    file = bank_files.BankFile(camt(Statement(said, **rest)))
    (look,) = bank_files.import_bank_file(actor=cast.actors[Role.BOOKKEEPER], file=file)
    return look


def fates(look):
    return [str(one.verdict.fate) for one in look.looks]


def by_hand(cast, amount="50.00", on=date(2026, 6, 8), **rest):
    part = (("INV-000001", Decimal(amount)),)
    new = NewPayment(cast.customer.id, on, Decimal(amount), allocations=part, **rest)
    return record_payment(actor=cast.actors[Role.BOOKKEEPER], payment=new)


def on_the_bank(cast):
    with cast.reading():
        return {one.account: str(one.balance) for one in ledger.balances()}.get("1010")


def test_what_was_recorded_without_the_bank_is_not_booked_again(billed):
    by_hand(billed)

    look = take_in(billed, Entry("50.00", "INV-000001", bank="B-1"))

    assert fates(look) == ["unmatched"]
    assert look.looks[0].verdict.why.startswith(
        "A payment of this amount, of 2026-06-08, was recorded without"
    )
    assert on_the_bank(billed) == "50.0000"
    # Whoever sees that it is another one records it.
    entry = look.looks[0].entry.id
    parts = [("INV-000001", Decimal("50.00"))]
    bank_files.assign_entry(actor=billed.owner, entry_id=entry, allocations=parts)
    assert on_the_bank(billed) == "100.0000"


@pytest.mark.parametrize(
    "other",
    [
        {"amount": "49.99"},
        {"on": date(2026, 6, 2)},  # eight days before
        {"method": "cash"},
    ],
)
def test_another_payment_keeps_nothing_waiting(billed, other):
    by_hand(billed, **other)
    assert fates(take_in(billed, Entry("50.00", "INV-000001", bank="B-1"))) == ["booked"]


def test_a_payment_of_the_bank_itself_keeps_the_next_one_not_waiting(billed):
    assert fates(take_in(billed, Entry("50.00", "INV-000001", bank="B-1"))) == ["booked"]
    assert fates(take_in(billed, Entry("50.00", "INV-000001", bank="B-2"), id="2")) == ["booked"]


def returned(cast, *names, on="2026-06-12"):
    """The entries of a statement that take back what came under E2E-1."""
    back = [
        Entry("-119.00", "Unpaid", end_to_end="E2E-1", returned="AC04", bank=name, on=on) for name in names
    ]
    look = take_in(cast, *back, id="2", opening="1119.00", since="2026-06-11", until="2026-06-12")
    return [one.entry.id for one in look.looks]


@pytest.mark.parametrize("day", [date(2026, 6, 12), date(2026, 6, 14)])
def test_an_entry_is_the_return_that_somebody_recorded_before_and_no_second_one_is(billed, day):
    take_in(billed, Entry("119.00", "INV-000001", end_to_end="E2E-1", bank="B-1"))
    with billed.reading():
        (payment,) = settling.payments()
    keeper = billed.actors[Role.BOOKKEEPER]
    known = return_payment(actor=keeper, payment_id=payment.id, returned_on=day)
    first, second = returned(billed, "B-8", "B-9")
    with billed.reading():
        assert entries.payments_taken_back(entries.get_bank_entry(first)) == [payment]

    entry = bank_files.return_entry(actor=keeper, entry_id=first, payment_id=payment.id)

    assert (entry.state, entry.refund_id) == ("returned", known.id)
    assert on_the_bank(billed) == "0.0000"
    with pytest.raises(Conflict, match="Another entry of the bank took this payment back already"):
        bank_files.return_entry(actor=keeper, entry_id=second, payment_id=payment.id)
    with billed.reading():
        assert entries.payments_taken_back(entries.get_bank_entry(second)) == []
        assert entries.get_bank_entry(second).state == "unmatched"
