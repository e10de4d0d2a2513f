"""Money that leaves again: paid back, taken back by the bank, and what no longer settles a document.

Which account stands to the debit and which to the credit is double entry as every book on it has it: common practice, no
source. A return is the payment's entry the other way round.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest
from django.db import connections

from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import allocating, refunding, returning, sending
from billing.commands.refunding import NewRefund
from billing.models import Document
from billing.queries import ageing, ledger, refunds, settling, statement
from billing.queries.auditing.running import audit
from tests.billing.books_of_account import Said, content, issue
from tests.billing.test_payments import balances, kept, last_entry, left, pay

JUNE_12, JUNE_14 = date(2026, 6, 12), date(2026, 6, 14)


@pytest.fixture
def billed(north):
    """Two invoices: 119.00 of 3 May and 50.00 of 3 June; today is 15 June."""
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return north


def credited(cast, amount="50.00", number="INV-000002"):
    """A credit note on an invoice, of 12 June."""
    with cast.reading():
        invoice = Document.objects.get(number=number)
    note = content("credit_note", [Said(amount)], number="CRN-000001", issued_on="2026-06-12", due_on=None)
    return issue(cast, note, corrects=invoice)


def refund(cast, amount, *, on=JUNE_14, **rest):
    new = NewRefund(amount=Decimal(amount), paid_on=on, **rest)
    return refunding.record_refund(actor=cast.actors[Role.BOOKKEEPER], refund=new)


def send_back(cast, payment, on=JUNE_14, **rest):
    return returning.return_payment(actor=cast.owner, payment_id=payment.id, returned_on=on, **rest)


def release(cast, payment, number):
    with cast.reading():
        (row,) = refunds.live_allocations().filter(payment_id=payment.id, document__number=number)
    return returning.release_allocation(actor=cast.owner, allocation_id=row.id)


def agrees(cast):
    """What the audit finds of the journal and of what is used; nothing, where the books agree."""
    return [one.sentence for one in audit(cast.operator.id).breaches if one.invariant in {6, 9}]


def test_kept_money_is_paid_back_to_the_customer(billed):
    payment = pay(billed, "200.00", ("INV-000001", "119.00"))

    made = refund(billed, "30.00", payment_id=payment.id, reference="Too much")

    assert kept(billed) == ["51.0000"]
    assert last_entry(billed) == ("refund", {"2010": "30.0000", "1010": "-30.0000"})
    with billed.reading():
        (entry,) = ledger.entries().filter(refund_id=made.id)
        (money,) = settling.standing_of([payment])
    assert (entry.text, entry.entry_on, entry.payment_id) == ("Refund Too much", JUNE_14, payment.id)
    assert (str(money.settled), str(money.refunded), money.returned_on) == ("119.0000", "30.0000", None)
    assert agrees(billed) == []


def test_a_credit_note_is_paid_back_in_cash_against_the_receivables(billed):
    pay(billed, "50.00", ("INV-000002", "50.00"))
    credited(billed)
    assert left(billed) == {"INV-000001": "119.0000", "CRN-000001": "50.0000"}

    refund(billed, "20.00", credit_note="CRN-000001", method="cash")

    assert left(billed) == {"INV-000001": "119.0000", "CRN-000001": "30.0000"}
    assert last_entry(billed) == ("refund", {"1100": "20.0000", "1020": "-20.0000"})
    assert balances(billed)["1100"] == "89.0000"
    refund(billed, "30.00", credit_note="CRN-000001")
    assert left(billed) == {"INV-000001": "119.0000"}
    assert agrees(billed) == []


def test_no_more_than_is_left_is_paid_back(billed):
    payment = pay(billed, "200.00", ("INV-000001", "119.00"))
    with pytest.raises(
        Conflict, match=r"Of the payment of 2026-06-10 81\.00 EUR is left, and 81\.01 was"
    ) as no:
        refund(billed, "81.01", payment_id=payment.id)
    assert [one.pointer for one in no.value.errors] == ["/0/amount"]
    half = NewRefund(Decimal("41.00"), JUNE_14, payment_id=payment.id)
    with pytest.raises(Conflict, match=r"40\.00 EUR is left") as no:
        refunding.record_refunds(actor=billed.owner, refunds=[half, half])
    assert [one.pointer for one in no.value.errors] == ["/1/amount"]
    assert kept(billed) == ["81.0000"]  # all or none
    refund(billed, "81.00", payment_id=payment.id)
    assert kept(billed) == []
    with pytest.raises(Conflict, match=r"0\.00 EUR is left"):
        allocating.allocate_payment(
            actor=billed.owner, payment_id=payment.id, allocations=[("INV-000002", Decimal("1.00"))]
        )


def test_two_who_pay_back_at_once_pay_no_more_than_is_left(billed):
    payment = pay(billed, "70.00")

    def attempt(_):
        try:
            refund(billed, "50.00", payment_id=payment.id)
        except Conflict as refused:
            return refused.detail
        finally:
            connections.close_all()
        return "recorded"

    with ThreadPoolExecutor(4) as pool:
        fates = list(pool.map(attempt, range(4)))

    assert fates.count("recorded") == 1
    assert kept(billed) == ["20.0000"]
    assert agrees(billed) == []


def test_a_name_of_the_bank_is_recorded_once_and_names_one_refund(billed):
    payment = pay(billed, "60.00")
    first = refund(billed, "10.00", payment_id=payment.id, external_id="OUT-1")

    again = refund(billed, "10.00", payment_id=payment.id, external_id="OUT-1", reference="later words")
    with pytest.raises(Conflict, match=r"OUT-1 names another refund, of 10\.00 EUR on 2026-06-14") as no:
        refund(billed, "11.00", payment_id=payment.id, external_id="OUT-1")
    with pytest.raises(Conflict, match="OUT-1 names another refund"):
        send_back(billed, payment, external_id="OUT-1")

    assert again.id == first.id
    assert [one.pointer for one in no.value.errors] == ["/0/external_id"]
    assert kept(billed) == ["50.0000"]
    # The same name of it twice in one list.
    new = NewRefund(Decimal("5.00"), JUNE_14, payment_id=payment.id, external_id="OUT-2")
    one, two = refunding.record_refunds(actor=billed.owner, refunds=[new, new])
    assert one.id == two.id
    assert kept(billed) == ["45.0000"]


@pytest.mark.parametrize(
    ("change", "error", "pointer"),
    [
        ({"amount": "0"}, BadInput, "/0/amount"),
        ({"amount": "1.005"}, BadInput, "/0/amount"),
        ({"amount": "-1"}, BadInput, "/0/amount"),
        ({"on": date(2026, 6, 16)}, BadInput, "/0/paid_on"),
        ({"on": date(2026, 6, 9)}, BadInput, "/0/paid_on"),
        ({"method": "barter"}, BadInput, "/0/method"),
        ({"reference": "x" * 141}, BadInput, "/0/reference"),
        ({"external_id": "a\x00b"}, BadInput, "/0/external_id"),
        ({"credit_note": "CRN-000009"}, BadInput, "/0/payment"),
        ({"payment_id": None}, BadInput, "/0/payment"),
        ({"payment_id": None, "credit_note": "INV-000001"}, NotFound, "/0/credit_note"),
        ({"payment_id": uuid4()}, NotFound, "/0/payment"),
    ],
)
def test_what_is_no_refund_is_refused_at_its_field(billed, change, error, pointer):
    payment = pay(billed, "60.00")
    values = {"amount": "5.00", "payment_id": payment.id, **change}

    with pytest.raises(error) as no:
        refund(billed, values.pop("amount"), **values)

    assert [one.pointer for one in no.value.errors] == [pointer]
    assert kept(billed) == ["60.0000"]


def test_only_who_records_payments_pays_back_and_undoes(billed):
    payment = pay(billed, "60.00", ("INV-000002", "50.00"))
    actor = billed.actors[Role.VIEWER]
    new = NewRefund(Decimal("1.00"), JUNE_14, payment_id=payment.id)

    with pytest.raises(Forbidden):
        refunding.record_refund(actor=actor, refund=new)
    with pytest.raises(Forbidden):
        returning.return_payment(actor=actor, payment_id=payment.id, returned_on=JUNE_14)
    with pytest.raises(Forbidden):
        returning.release_allocation(actor=actor, allocation_id=uuid4())


def test_a_returned_payment_opens_again_what_it_settled(billed):
    payment = pay(billed, "180.00", ("INV-000001", "119.00"), ("INV-000002", "50.00"))
    before = balances(billed)

    made = send_back(billed, payment, reason="No funds", external_id="BACK-1")

    assert left(billed) == {"INV-000001": "119.0000", "INV-000002": "50.0000"}
    assert kept(billed) == []
    assert (made.kind, str(made.amount), made.reference) == ("return", "180.0000", "No funds")
    assert last_entry(billed) == ("return", {"1100": "169.0000", "2010": "11.0000", "1010": "-180.0000"})
    assert before["1010"] == "180.0000"
    assert "1010" not in balances(billed)
    with billed.reading():
        (money,) = settling.standing_of([payment])
        at = {day: [str(one.left) for one in settling.standings(at=day)] for day in (JUNE_12, JUNE_14)}
    assert (str(money.refunded), money.returned_on, money.left) == ("180.0000", JUNE_14, 0)
    assert at == {JUNE_12: ["0.0000", "0.0000"], JUNE_14: ["119.0000", "50.0000"]}
    assert agrees(billed) == []
    # Recorded once, however often it is told.
    assert send_back(billed, payment, external_id="BACK-1").id == made.id
    assert send_back(billed, payment).id == made.id
    with pytest.raises(Conflict, match="was taken back on 2026-06-14 already"):
        send_back(billed, payment, JUNE_12)
    with pytest.raises(Conflict, match=r"Of the payment of 2026-06-10 0\.00 EUR is left"):
        refund(billed, "1.00", payment_id=payment.id)


def test_what_settled_later_is_undone_by_itself_and_each_day_agrees(billed):
    payment = pay(billed, "60.00", on=date(2026, 6, 1))
    allocating.allocate_payment(
        actor=billed.owner, payment_id=payment.id, allocations=[("INV-000002", Decimal("50.00"))]
    )  # today, 15 June

    send_back(billed, payment, on=JUNE_14)

    with billed.reading():
        entries = ledger.shown(list(ledger.entries()))[-2:]
        days = [date(2026, 6, day) for day in (2, 13, 14, 15)]
        booked = {
            day: {one.account: one.balance for one in ledger.balances(until=day)}.get("1100") for day in days
        }
        owed = {day: sum(one.left for one in settling.standings(at=day)) for day in days}
    assert [(one.purpose, one.entry_on.day) for one in entries] == [("return", 14), ("settlement", 15)]
    assert entries[1].text == "Settlement of INV-000002 undone"
    assert booked == owed
    assert kept(billed) == []
    assert balances(billed).keys() == {"1100", "2030", "4010"}
    assert agrees(billed) == []


def test_of_a_payment_paid_back_in_part_the_rest_is_taken_back(billed):
    payment = pay(billed, "150.00", ("INV-000001", "119.00"))
    refund(billed, "31.00", payment_id=payment.id)

    made = send_back(billed, payment)

    assert str(made.amount) == "119.0000"
    assert left(billed)["INV-000001"] == "119.0000"
    assert "1010" not in balances(billed)
    other = pay(billed, "5.00")
    refund(billed, "5.00", payment_id=other.id)
    with pytest.raises(Conflict, match="All of this payment was paid back"):
        send_back(billed, other)
    assert agrees(billed) == []


def test_a_payment_is_taken_back_between_its_day_and_today(billed):
    payment = pay(billed, "150.00")
    for day in (date(2026, 6, 9), date(2026, 6, 16)):
        with pytest.raises(BadInput, match="between that day and today, Mon 15 Jun 2026") as no:
            send_back(billed, payment, day)
        assert [one.pointer for one in no.value.errors] == ["/returned_on"]
    with pytest.raises(BadInput) as no:
        send_back(billed, payment, reason="x" * 141)
    assert [one.pointer for one in no.value.errors] == ["/reason"]
    with pytest.raises(NotFound):
        returning.return_payment(actor=billed.owner, payment_id=uuid4(), returned_on=JUNE_14)


def test_what_settled_the_wrong_document_is_undone_and_settles_another(billed):
    payment = pay(billed, "50.00", ("INV-000001", "50.00"))

    release(billed, payment, "INV-000001")

    assert left(billed)["INV-000001"] == "119.0000"
    assert kept(billed) == ["50.0000"]
    assert last_entry(billed) == ("settlement", {"2010": "-50.0000", "1100": "50.0000"})
    allocating.allocate_payment(
        actor=billed.owner, payment_id=payment.id, allocations=[("INV-000002", Decimal("50.00"))]
    )
    assert left(billed) == {"INV-000001": "119.0000"}
    with billed.reading():
        rows = settling.allocations_of_payments([payment.id])[payment.id]
    by_number = {(row.document.number, row.undoes_id is None): row for row in rows}
    first, undoing = by_number["INV-000001", True], by_number["INV-000001", False]
    assert sorted(str(row.amount) for row in rows) == ["-50.0000", "50.0000", "50.0000"]
    assert undoing.undoes_id == first.id
    for row in (first, undoing):
        with pytest.raises(Conflict, match="was undone already"):
            returning.release_allocation(actor=billed.owner, allocation_id=row.id)
    live = by_number["INV-000002", True]
    with pytest.raises(NotFound):
        returning.release_allocation(actor=billed.owner, allocation_id=live.id, payment_id=uuid4())
    with pytest.raises(NotFound):
        returning.release_allocation(actor=billed.owner, allocation_id=uuid4())
    assert agrees(billed) == []


def test_a_credit_that_no_longer_settles_its_invoice_is_open_again(billed):
    note = credited(billed, "30.00")
    assert left(billed) == {"INV-000001": "119.0000", "INV-000002": "20.0000"}
    with billed.reading():
        (row,) = refunds.allocations_of_credit(note.id)
        entries = ledger.last_ordinal()

    returning.release_allocation(actor=billed.owner, allocation_id=row.id, credit_note="CRN-000001")

    assert left(billed) == {"INV-000001": "119.0000", "INV-000002": "50.0000", "CRN-000001": "30.0000"}
    with billed.reading():
        assert ledger.last_ordinal() == entries  # both stand on the receivables
    assert agrees(billed) == []


def test_the_statement_and_the_ageing_tell_of_what_left_again(billed):
    payment = pay(billed, "119.00", ("INV-000001", "119.00"))
    over = pay(billed, "20.00", reference="twice", on=date(2026, 6, 11))
    refund(billed, "20.00", payment_id=over.id, on=JUNE_12, reference="sent twice")
    send_back(billed, payment, reason="No funds")

    with billed.reading():
        told = statement.statement(billed.customer.id, since=date(2026, 6, 4), until=date(2026, 6, 15))
        (debtor,) = ageing.ageing(at=date(2026, 6, 15))
        (then,) = ageing.ageing(at=date(2026, 6, 11))

    assert [(row.on.day, row.kind, row.text, str(row.balance)) for row in told.rows] == [
        (10, "payment", "Payment received, transfer", "50.0000"),
        (11, "payment", "Payment received, transfer, twice", "30.0000"),
        (12, "refund", "Paid back, transfer, sent twice", "50.0000"),
        (14, "return", "Payment taken back, No funds", "169.0000"),
    ]
    assert (told.closing, debtor.rows[0].balance) == (Decimal(169), Decimal(169))
    assert (then.rows[0].owed, then.rows[0].credit) == (Decimal(50), Decimal(20))


def test_who_is_reminded_follows_what_is_open_again(billed):
    payment = pay(billed, "169.00", ("INV-000001", "119.00"), ("INV-000002", "50.00"))
    assert sending.remind_due(actor=billed.owner, today=date(2026, 6, 20)) == 0

    send_back(billed, payment)

    assert sending.remind_due(actor=billed.owner, today=date(2026, 6, 20)) == 2


@pytest.fixture
def told(billed):
    """A payment of which 100 settle and 20 were paid back, one that bounced, and one whose settlement was undone."""
    over = pay(billed, "150.00", ("INV-000001", "100.00"))
    refund(billed, "20.00", payment_id=over.id)
    send_back(billed, pay(billed, "30.00", ("INV-000002", "30.00"), reference="bounced"))
    release(billed, pay(billed, "7.00", ("INV-000002", "7.00"), reference="wrong"), "INV-000002")
    assert agrees(billed) == []
    return billed


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        (
            "UPDATE billing_refund SET amount = 51 WHERE operator_id = %s AND kind = 'refund'",
            ["51.0000 EUR left, and 20.0000 of it are booked", "51.0000 left again, of 150.0000 EUR"],
        ),
        (
            "UPDATE billing_refund SET amount = 19 WHERE operator_id = %s AND kind = 'refund'",
            ["19.0000 EUR left, and 20.0000 of it are booked", "Prepayments of the operator itself"],
        ),
        (
            "UPDATE billing_payment SET amount = 31 WHERE operator_id = %s AND reference = 'bounced'",
            ["31.0000 EUR came in, and 30.0000 of it are booked", "Prepayments of the operator itself"],
        ),
        (
            "DELETE FROM billing_refund WHERE operator_id = %s AND kind = 'refund'",
            ["Prepayments of the operator itself: the journal has -37.0000 EUR, -57.0000 are kept"],
        ),
        (
            "UPDATE billing_allocation SET amount = 120 WHERE operator_id = %s AND amount = 100",
            ["Document INV-000001: 120.0000 settle its 119.0000 EUR", "Receivables of the operator itself"],
        ),
        (
            "DELETE FROM billing_allocation WHERE operator_id = %s AND amount = -30",
            ["the bank took it back, and 30.0000 EUR of it still settle documents"],
        ),
        (
            "UPDATE billing_allocation SET amount = -6 WHERE operator_id = %s AND amount = -7",
            ["its -6.0000 undo 7.0000, which is of another document or source"],
        ),
    ],
)
def test_the_audit_names_money_that_does_not_add_up(told, superuser, sql, said):
    superuser.execute("SET session_replication_role = replica")  # no check of keys, no trigger
    assert superuser.execute(sql, [told.operator.id]).rowcount == 1

    found = " ".join(agrees(told))

    assert [words for words in said if words not in found] == []
