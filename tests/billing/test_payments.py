"""Money received: what it settles, what is kept of it, and what is refused."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest
from django.db import connections

from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import allocating, payments
from billing.commands.payments import NewPayment
from billing.models import Document
from billing.queries import ledger, settling
from tests.billing.books_of_account import Said, content, issue


@pytest.fixture
def billed(north):
    """Two invoices: 119.00 of 3 May and 50.00 of 3 June."""
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return north


def pay(cast, amount, *allocations, on=date(2026, 6, 10), **rest):
    new = NewPayment(
        customer_id=cast.customer.id,
        received_on=on,
        amount=Decimal(amount),
        allocations=[(number, Decimal(part)) for number, part in allocations],
        **rest,
    )
    return payments.record_payment(actor=cast.actors[Role.BOOKKEEPER], payment=new)


def left(cast):
    with cast.reading():
        return {one.number: str(one.left) for one in settling.open_documents()}


def kept(cast):
    with cast.reading():
        return [str(money.left) for money in settling.kept_money()]


def balances(cast):
    with cast.reading():
        return {one.account: str(one.balance) for one in ledger.balances() if one.balance}


def last_entry(cast):
    with cast.reading():
        entry = ledger.shown(list(ledger.entries()))[-1]
    return entry.purpose, {line.account: str(line.debit - line.credit) for line in entry.lines}


def test_a_payment_settles_a_part_and_later_the_rest(billed):
    pay(billed, "100.00", ("INV-000001", "100.00"))
    assert left(billed) == {"INV-000001": "19.0000", "INV-000002": "50.0000"}

    pay(billed, "19.00", ("INV-000001", "19.00"))
    assert left(billed) == {"INV-000002": "50.0000"}
    assert kept(billed) == []
    assert last_entry(billed) == ("payment", {"1010": "19.0000", "1100": "-19.0000"})


def test_one_payment_settles_several_documents_and_what_is_over_is_kept(billed):
    pay(billed, "200.00", ("INV-000001", "119.00"), ("INV-000002", "50.00"))

    assert left(billed) == {}
    assert kept(billed) == ["31.0000"]
    assert balances(billed) == {
        "1010": "200.0000",
        "2010": "-31.0000",
        "2030": "-19.0000",
        "4010": "-150.0000",
    }


def test_kept_money_settles_a_document_later(billed):
    payment = pay(billed, "60.00")
    assert left(billed) == {"INV-000001": "119.0000", "INV-000002": "50.0000"}

    allocating.allocate_payment(
        actor=billed.owner, payment_id=payment.id, allocations=[("INV-000002", Decimal("50.00"))]
    )

    assert left(billed) == {"INV-000001": "119.0000"}
    assert kept(billed) == ["10.0000"]
    assert last_entry(billed) == ("settlement", {"2010": "50.0000", "1100": "-50.0000"})


def test_money_that_came_before_its_invoice_is_a_prepayment_until_the_day_of_issue(billed):
    pay(billed, "50.00", ("INV-000002", "50.00"), on=date(2026, 5, 20))

    with billed.reading():
        before = {one.account: str(one.balance) for one in ledger.balances(until=date(2026, 6, 2))}
        after = {one.account: str(one.balance) for one in ledger.balances()}
        open_before = settling.open_documents(at=date(2026, 6, 2))
    assert (before["1100"], before["2010"]) == ("119.0000", "-50.0000")
    assert (after["1100"], after["2010"]) == ("119.0000", "0.0000")
    assert [one.number for one in open_before] == ["INV-000001"]


def test_no_more_than_is_left_is_settled(billed):
    with pytest.raises(
        Conflict, match=r"Of INV-000001 119\.00 EUR is left, and 119\.01 was to be settled"
    ) as no:
        pay(billed, "500.00", ("INV-000001", "119.01"))
    assert [one.pointer for one in no.value.errors] == ["/0/allocations/0"]
    with pytest.raises(Conflict, match=r"Of the payment 10\.00 EUR is left, and 20 was"):
        pay(billed, "10.00", ("INV-000001", "10.00"), ("INV-000002", "10.00"))
    payment = pay(billed, "30.00", ("INV-000001", "20.00"))
    with pytest.raises(Conflict, match=r"Of the payment of 2026-06-10 10\.00 EUR is left"):
        allocating.allocate_payment(
            actor=billed.owner, payment_id=payment.id, allocations=[("INV-000001", Decimal("10.01"))]
        )

    assert left(billed) == {"INV-000001": "99.0000", "INV-000002": "50.0000"}
    assert kept(billed) == ["10.0000"]


def test_two_payments_at_once_share_what_is_left(billed):
    one = NewPayment(
        billed.customer.id, date(2026, 6, 10), Decimal(70), allocations=[("INV-000001", Decimal(70))]
    )

    with pytest.raises(Conflict, match=r"49\.00 EUR is left") as no:
        payments.record_payments(actor=billed.owner, payments=[one, one])

    assert [problem.pointer for problem in no.value.errors] == ["/1/allocations/0"]
    assert left(billed)["INV-000001"] == "119.0000"  # all or none


def test_two_who_pay_at_once_settle_no_more_than_is_left(billed):
    def attempt(_):
        try:
            pay(billed, "70.00", ("INV-000001", "70.00"))
        except Conflict as refused:
            return refused.detail
        finally:
            connections.close_all()
        return "recorded"

    with ThreadPoolExecutor(2) as pool:
        outcomes = sorted(pool.map(attempt, range(2)))

    assert outcomes[0].startswith("Of INV-000001 49.00 EUR is left")
    assert outcomes[1] == "recorded"
    assert left(billed)["INV-000001"] == "49.0000"


def test_a_payment_sent_twice_is_recorded_once(billed):
    first = pay(billed, "119.00", ("INV-000001", "119.00"), external_id="BANK-1")

    again = pay(billed, "119.00", ("INV-000001", "119.00"), external_id="BANK-1")

    assert again.id == first.id
    assert balances(billed)["1010"] == "119.0000"
    with pytest.raises(
        Conflict, match=r"BANK-1 names another payment, of 119\.00 EUR received on 2026-06-10"
    ):
        pay(billed, "118.00", external_id="BANK-1")


def test_a_payment_sent_again_with_other_allocations_is_refused_and_not_passed_over(billed):
    first = pay(billed, "60.00", ("INV-000001", "20.00"), external_id="BANK-1")
    for other in (("INV-000001", "30.00"), ("INV-000002", "20.00")):
        with pytest.raises(Conflict, match=r"BANK-1 is recorded already, and does not settle") as no:
            pay(billed, "60.00", other, external_id="BANK-1")
        assert [one.pointer for one in no.value.errors] == ["/0/allocations/0"]
    more = NewPayment(
        billed.customer.id,
        date(2026, 6, 10),
        Decimal(5),
        external_id="BANK-2",
        allocations=[("INV-000002", Decimal("5.00"))],
    )
    with pytest.raises(Conflict) as no:
        payments.record_payments(
            actor=billed.owner, payments=[more, replace(more, allocations=[("INV-000002", Decimal(4))])]
        )
    assert [one.pointer for one in no.value.errors] == ["/1/allocations/0"]

    # What it settles by now, in whatever step, may be said again; so may nothing.
    allocating.allocate_payment(
        actor=billed.owner, payment_id=first.id, allocations=[("INV-000002", Decimal("40.00"))]
    )
    parts = (("INV-000001", "20.00"), ("INV-000002", "40.00"))
    assert pay(billed, "60.00", *parts, external_id="BANK-1").id == first.id
    assert pay(billed, "60.00", external_id="BANK-1").id == first.id
    assert left(billed) == {"INV-000001": "99.0000", "INV-000002": "10.0000"}


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"amount": "0"}, "/0/amount"),
        ({"amount": "-5"}, "/0/amount"),
        ({"amount": "NaN"}, "/0/amount"),
        ({"amount": "1.005"}, "/0/amount"),
        ({"currency": "EURO"}, "/0/currency"),
        ({"currency": "JPY", "amount": "1.50"}, "/0/amount"),
        ({"method": "barter"}, "/0/method"),
        ({"on": date(2026, 6, 16)}, "/0/received_on"),  # the clock stands on 15 June
        ({"reference": "x" * 141}, "/0/reference"),
    ],
)
def test_what_can_not_be_a_payment_is_refused_with_a_pointer(billed, change, pointer):
    amount = change.pop("amount", "10.00")

    with pytest.raises(BadInput) as no:
        pay(billed, amount, **change)

    assert [problem.pointer for problem in no.value.errors] == [pointer]
    assert "1010" not in balances(billed)


def test_money_settles_only_documents_of_its_customer_currency_and_that_are_there(billed):
    other = customers.add_customers(
        actor=billed.owner, customers=[{"code": "C2", "name": "Weir Halls", "country": "DE"}]
    )[0]
    theirs = NewPayment(other.id, date(2026, 6, 10), Decimal(10), allocations=[("INV-000001", Decimal(10))])

    with pytest.raises(BadInput, match="another customer"):
        payments.record_payment(actor=billed.owner, payment=theirs)
    with pytest.raises(BadInput, match="is in EUR; the payment is in CHF"):
        pay(billed, "10.00", ("INV-000001", "10.00"), currency="CHF")
    with pytest.raises(NotFound) as no:
        pay(billed, "10.00", ("INV-000009", "10.00"))
    assert [problem.pointer for problem in no.value.errors] == ["/0/allocations/0/document"]
    with pytest.raises(BadInput, match="once"):
        pay(billed, "10.00", ("INV-000001", "1.00"), ("INV-000001", "1.00"))
    with pytest.raises(NotFound):
        payments.record_payment(
            actor=billed.owner, payment=NewPayment(uuid4(), date(2026, 6, 10), Decimal(10))
        )
    with pytest.raises(NotFound):
        allocating.allocate_payment(actor=billed.owner, payment_id=uuid4(), allocations=[])
    assert "1010" not in balances(billed)


def test_only_those_who_keep_the_books_record_payments(billed):
    with pytest.raises(Forbidden):
        payments.record_payment(
            actor=billed.dispatcher, payment=NewPayment(billed.customer.id, date(2026, 6, 1), Decimal(1))
        )
    with pytest.raises(Forbidden):
        allocating.allocate_credit(actor=billed.dispatcher, credit_note="CRN-000001", allocations=[])


def credit(cast, amount, invoice, number="CRN-000001", on="2026-06-05"):
    said = content("credit_note", [Said(amount)], number=number, issued_on=on, due_on=None)
    return issue(cast, said, corrects=invoice)


def test_a_credit_note_settles_the_invoice_it_corrects(billed):
    with billed.reading():
        invoice = settling.debts_by_number(["INV-000001"])["INV-000001"]
    credit(billed, "40.00", billed_document(billed, "INV-000001"))

    assert left(billed) == {"INV-000001": "79.0000", "INV-000002": "50.0000"}
    assert invoice.left == Decimal("119.00")
    assert balances(billed)["1100"] == "129.0000"


def test_what_a_credit_note_gives_back_of_a_paid_invoice_is_open_credit(billed):
    pay(billed, "100.00", ("INV-000001", "100.00"))

    credit(billed, "40.00", billed_document(billed, "INV-000001"))

    assert left(billed) == {"INV-000002": "50.0000", "CRN-000001": "21.0000"}

    note = allocating.allocate_credit(
        actor=billed.owner, credit_note="CRN-000001", allocations=[("INV-000002", Decimal("20.00"))]
    )
    assert str(note.left) == "1.0000"
    assert left(billed) == {"INV-000002": "30.0000", "CRN-000001": "1.0000"}
    with pytest.raises(Conflict, match=r"Of CRN-000001 1\.00 EUR is left"):
        allocating.allocate_credit(
            actor=billed.owner, credit_note="CRN-000001", allocations=[("INV-000002", Decimal("1.01"))]
        )
    with pytest.raises(NotFound, match="no credit note"):
        allocating.allocate_credit(
            actor=billed.owner, credit_note="INV-000002", allocations=[("INV-000001", Decimal("1.00"))]
        )


def billed_document(cast, number):
    with cast.reading():
        return Document.objects.get(number=number)
