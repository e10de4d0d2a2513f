"""What an operator brings with it: its open debts, and the numbers that its documents go on with."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest

from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import numbering, opening, payments
from billing.commands.opening import NewDebt
from billing.commands.payments import NewPayment
from billing.queries import ledger, settling
from billing.rules.documents import digest
from tests.billing.books import APRIL, close, list_prices, numbers, on


def debt(cast, number="2025-0113", amount="119.00", **rest):
    values = {"issued_on": date(2026, 4, 1), "due_on": date(2026, 5, 1), **rest}
    return NewDebt(customer_id=cast.customer.id, number=number, amount=Decimal(amount), **values)


def take_over(cast, *debts):
    return opening.record_opening_debts(actor=cast.actors[Role.BOOKKEEPER], debts=debts)


def test_an_open_debt_is_owed_booked_against_opening_and_can_be_paid(north):
    (row,) = take_over(north, debt(north, po_number="PO 7"))

    assert (row.kind, row.series_id, row.due_on) == ("opening", None, date(2026, 5, 1))
    assert row.document_sha256 == digest(row.document)
    assert (row.document["payable"], row.document["lines"]) == ("119.00", [])
    with north.reading():
        (entry,) = ledger.shown(list(ledger.entries()))
        assert [one.number for one in settling.open_debts()] == ["2025-0113"]
    assert (entry.entry_on, entry.text) == (date(2026, 6, 15), "Opening debt 2025-0113")
    assert {line.account: str(line.debit - line.credit) for line in entry.lines} == {
        "1100": "119.0000",
        "3010": "-119.0000",
    }

    payments.record_payment(
        actor=north.owner,
        payment=NewPayment(
            north.customer.id, date(2026, 6, 15), Decimal(119), allocations=[("2025-0113", Decimal(119))]
        ),
    )
    with north.reading():
        assert settling.open_debts() == []


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"amount": "0.00"}, "/1/amount"),
        ({"amount": "1.234"}, "/1/amount"),
        ({"number": "2025/0113"}, "/1/number"),  # it stands in an address
        ({"number": "x" * 41}, "/1/number"),
        ({"issued_on": date(2026, 6, 16)}, "/1/issued_on"),
        ({"due_on": date(2026, 3, 31)}, "/1/due_on"),
        ({"currency": "XXX"}, "/1/currency"),
    ],
)
def test_what_can_not_be_a_debt_is_refused_and_none_is_recorded(north, change, pointer):
    with pytest.raises(BadInput) as no:
        take_over(north, debt(north), debt(north, **{"number": "2", **change}))

    assert [problem.pointer for problem in no.value.errors] == [pointer]
    with north.reading():
        assert settling.open_debts() == []


def test_a_number_is_of_one_document_only_and_never_one_that_is_still_to_be_drawn(north):
    take_over(north, debt(north))
    with pytest.raises(Conflict, match="exists already") as no:
        take_over(north, debt(north, "A1"), debt(north, "A1"), debt(north))
    assert [problem.pointer for problem in no.value.errors] == ["/1/number", "/2/number"]
    for number in ("INV-000001", "CRN-000005", "INV-X-000001"):
        with pytest.raises(Conflict, match="your own series will draw"):
            take_over(north, debt(north, number))

    opening.begin_series(actor=north.owner, kind="invoice", next_number=5001)
    take_over(north, debt(north, "INV-004711"))
    with pytest.raises(Conflict, match="your own series will draw"):
        take_over(north, debt(north, "INV-005001"))


def test_a_debt_of_nobody_is_not_found(north):
    stranger = NewDebt(uuid4(), "7", date(2026, 4, 1), Decimal(5))

    with pytest.raises(NotFound) as no:
        take_over(north, stranger)
    assert [problem.pointer for problem in no.value.errors] == ["/0/customer"]
    with pytest.raises(NotFound) as no:
        take_over(north, debt(north, legal_entity="NO"))
    assert [problem.pointer for problem in no.value.errors] == ["/0/legal_entity"]
    with pytest.raises(Forbidden):
        opening.record_opening_debts(actor=north.dispatcher, debts=[])


def test_invoices_go_on_from_the_number_that_was_set_once(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    opening.begin_series(actor=north.actors[Role.BOOKKEEPER], kind="invoice", next_number=5001)

    close(north, APRIL)

    assert numbers(north) == ["INV-005001"]
    with pytest.raises(Conflict, match="its next number is INV-005002"):
        opening.begin_series(actor=north.owner, kind="invoice", next_number=6000)


def test_a_series_that_began_or_never_will_is_not_set(north):
    opening.begin_series(actor=north.owner, kind="credit_note", next_number=31)
    with pytest.raises(Conflict, match="CRN-000031"):
        opening.begin_series(actor=north.owner, kind="credit_note", next_number=32)
    with pytest.raises(BadInput, match="above 1"):
        opening.begin_series(actor=north.owner, kind="invoice", next_number=1)
    with pytest.raises(BadInput, match="invoice, credit_note"):
        opening.begin_series(actor=north.owner, kind="opening", next_number=7)
    with pytest.raises(NotFound):
        opening.begin_series(actor=north.owner, kind="invoice", next_number=7, legal_entity="NO")
    with pytest.raises(Forbidden):
        opening.begin_series(actor=north.dispatcher, kind="invoice", next_number=7)
    with north.reading():
        assert settling.next_numbers() == {numbering.SERIES: 1, "CRN": 31}
