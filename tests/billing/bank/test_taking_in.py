"""A bank's file from its preview to the books: what is booked, what waits, and what a second file changes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal
from uuid import uuid4

import pytest
from django.db import connections

from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound, TooLarge
from accounts.permissions import Role
from billing.commands import bank_files, parties, payments
from billing.commands.bank_files import BankFile
from billing.commands.payments import NewPayment
from billing.queries import ledger, settling
from billing.queries.bank import entries
from tests.billing.bank.files import ACCOUNT, PAYER, Entry, camt
from tests.billing.bank.files import Said as Statement
from tests.billing.books_of_account import Said, content, issue

D = Decimal


@pytest.fixture
def billed(north):
    """Two invoices: 119.00 of 3 May and 50.00 of 3 June."""
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return north


def statement(*said, **rest):
    return camt(Statement(said, **rest))


def take_in(cast, content, **rest):
    return bank_files.import_bank_file(actor=cast.actors[Role.BOOKKEEPER], file=BankFile(content, **rest))


def preview(cast, content, **rest):
    return bank_files.preview_bank_file(actor=cast.actors[Role.BOOKKEEPER], file=BankFile(content, **rest))


def fates(looks):
    return [str(look.verdict.fate) for one in looks for look in one.looks]


def left(cast):
    with cast.reading():
        return {one.number: str(one.left) for one in settling.open_documents()}


def paid(cast):
    with cast.reading():
        return sorted((str(one.amount), one.external_id[:5]) for one in settling.payments())


def states(cast):
    with cast.reading():
        return [entry.state for entry in entries.bank_entries()]


def entry_id(look):
    """The id of the last entry of a statement that was taken in."""
    return look.looks[-1].entry.id


def balances(cast):
    with cast.reading():
        return {one.account: str(one.balance) for one in ledger.balances() if one.balance}


MIXED = (
    Entry("119.00", reference="RF69INV000001", bank="B-1", end_to_end="E2E-1"),
    Entry("60.00", "INV-000002 with thanks", bank="B-2"),
    Entry("50.00", "For you", bank="B-3"),
    Entry("-12.50", "Account fee", bank="B-4", party="", party_account=""),
    Entry("10.00", "Announced", status="PDNG"),
)


def test_a_preview_says_what_would_become_of_it_and_stores_nothing(billed):
    (look,) = preview(billed, statement(*MIXED))

    assert fates([look]) == ["booked", "part_booked", "unmatched", "set_aside"]
    assert look.counts == {"booked": 1, "part_booked": 1, "unmatched": 1, "set_aside": 1}
    assert [(one.number, one.hints) for one in look.looks[2].suggestions] == [("INV-000002", ("amount",))]
    assert len(look.statement.pending) == 1
    assert (paid(billed), states(billed)) == ([], [])


def test_what_is_certain_is_booked_and_the_rest_waits(billed):
    (look,) = take_in(billed, statement(*MIXED), name="june.xml")

    assert paid(billed) == [("119.0000", "bank:"), ("60.0000", "bank:")]
    assert left(billed) == {}
    assert states(billed) == ["booked", "part_booked", "unmatched", "set_aside"]
    assert balances(billed)["1010"] == "179.0000"
    with billed.reading():
        row = entries.get_bank_statement(look.row.id)
        first = entries.entries_of(row.id)[0]
        assert (row.file_name, row.opening, row.closing, row.account) == (
            "june.xml",
            1000,
            D("1216.50"),
            ACCOUNT,
        )
        assert (first.payment.customer_id, first.payment.reference) == (billed.customer.id, "RF69INV000001")
        assert first.payment.received_on == date(2026, 6, 10)


def test_the_same_file_twice_books_nothing_twice(billed):
    file = statement(*MIXED)
    (first,) = take_in(billed, file)
    (again,) = take_in(billed, file)

    assert fates([again]) == ["duplicate"] * 4
    assert again.row.id == first.row.id
    assert len(paid(billed)) == 2
    assert len(states(billed)) == 4
    assert fates(preview(billed, file)) == ["duplicate"] * 4


def test_overlapping_statements_book_only_what_is_new(billed):
    take_in(billed, statement(MIXED[0], id="noon"))
    (whole,) = take_in(billed, statement(*MIXED, id="evening"))

    assert fates([whole]) == ["duplicate", "part_booked", "unmatched", "set_aside"]
    assert "taken in before, with statement noon" in whole.looks[0].verdict.why
    assert [amount for amount, _name in paid(billed)] == ["119.0000", "60.0000"]


def test_a_statement_sent_again_with_more_on_it_goes_on(billed):
    """With the same id, day and closing balance: what is new of it joins the statement that is there."""
    take_in(billed, statement(MIXED[0], closing="1119.00"))
    (more,) = take_in(billed, statement(MIXED[2], MIXED[0], opening="950.00"))
    assert fates([more]) == ["unmatched", "duplicate"]
    with billed.reading():
        assert [one.ordinal for one in entries.entries_of(more.row.id)] == [0, 1]


def test_a_movement_twice_in_one_file_is_taken_in_once(billed):
    twice = camt(Statement((MIXED[0],), id="a"), Statement((MIXED[0],), id="b", opening="1119.00"))
    assert fates(preview(billed, twice)) == ["booked", "duplicate"]
    assert fates(take_in(billed, twice)) == ["booked", "duplicate"]
    assert len(paid(billed)) == 1


def test_statements_of_one_file_know_of_each_other(billed):
    both = camt(
        Statement((Entry("119.00", "INV-000001", bank="1A"),), id="a"),
        Statement((Entry("119.00", "INV-000001", bank="1B"),), id="b", opening="1119.00"),
    )
    assert fates(preview(billed, both)) == fates(take_in(billed, both)) == ["booked", "unmatched"]


@pytest.mark.parametrize(
    ("file", "kind", "code"),
    [
        (b"no xml", BadInput, "not-xml"),
        (statement(Entry("5.00"), closing="1005.01"), BadInput, "does-not-reconcile"),
        (statement(Entry("5.00", on="2026-06-16")), BadInput, "in-future"),
        (b" " * (5 * 1024 * 1024 + 1), TooLarge, "too-large"),
    ],
)
@pytest.mark.parametrize("do", [preview, take_in])
def test_a_file_that_is_unfit_is_refused_whole(billed, do, file, kind, code):
    with pytest.raises(kind, match=r"Nothing was taken in\.$") as refused:
        do(billed, file)
    assert [one.code for one in refused.value.errors] == [code]
    assert (paid(billed), states(billed)) == ([], [])


def test_one_unfit_statement_keeps_the_whole_file_out(billed):
    good, bad = Statement((MIXED[0],)), Statement((MIXED[2],), id="bad", closing="0.00")
    with pytest.raises(BadInput) as refused:
        take_in(billed, camt(good, bad))
    assert [one.pointer for one in refused.value.errors] == ["/statements/1"]
    assert states(billed) == []


def test_a_gap_between_statements_is_said(billed):
    take_in(billed, statement(Entry("5.00", bank="x"), id="1", since="2026-06-08", until="2026-06-09"))
    (next_day,) = preview(billed, statement(Entry("5.00", bank="y"), id="3", opening="1007.00"))
    assert "closed with 1,005.00 EUR, and this one opens with 1,007.00 EUR" in next_day.gap
    (good,) = preview(billed, statement(Entry("5.00", bank="y"), id="2", opening="1005.00"))
    assert good.gap == ""


def test_the_account_says_which_issuer_it_is_of(billed):
    keeper = billed.actors[Role.BOOKKEEPER]
    seller = {"legal_name": "Fixture Care Ltd", "country": "DE"}
    parties.set_legal_entity(actor=keeper, code="DE", values={**seller, "iban": ACCOUNT})
    parties.set_legal_entity(actor=keeper, code="AT", values=seller)
    (look,) = preview(billed, statement(MIXED[0]))
    # The documents were issued in the operator's own name, so the account is not theirs.
    assert look.entity.code == "DE"
    assert fates([look]) == ["unmatched"]

    other = statement(MIXED[2], account=PAYER)
    with pytest.raises(BadInput, match=f"No issuer has the account {PAYER}") as refused:
        take_in(billed, other)
    assert [one.pointer for one in refused.value.errors] == ["/legal_entity"]
    assert take_in(billed, other, legal_entity="AT")[0].entity.code == "AT"
    # Said once, it is known.
    assert preview(billed, statement(Entry("1.00"), account=PAYER))[0].entity.code == "AT"
    with pytest.raises(BadInput, match="is of Fixture Care Ltd"):
        preview(billed, statement(MIXED[0]), legal_entity="AT")
    with pytest.raises(NotFound):
        preview(billed, statement(MIXED[0]), legal_entity="NO")


def test_two_at_once_take_a_file_in_once(billed):
    file = statement(*MIXED)

    def once(_):
        try:
            return fates(take_in(billed, file))
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as both:
        done = list(both.map(once, range(2)))
    assert sorted(done)[1] == ["duplicate"] * 4
    assert len(paid(billed)) == 2


# By hand


def waiting_entry(cast, *said):
    (look,) = take_in(cast, statement(*(said or (MIXED[2],))))
    return entry_id(look)


def assign(cast, entry_id, *allocations, **rest):
    parts = [(number, D(amount)) for number, amount in allocations]
    actor = cast.actors[Role.BOOKKEEPER]
    return bank_files.assign_entry(actor=actor, entry_id=entry_id, allocations=parts, **rest)


def test_a_movement_is_assigned_to_the_documents_it_pays(billed):
    entry = assign(billed, waiting_entry(billed), ("INV-000001", "50.00"))
    assert (entry.state, entry.why) == ("booked", "Assigned by hand to INV-000001.")
    assert entry.payment.customer_id == billed.customer.id
    assert left(billed) == {"INV-000001": "69.0000", "INV-000002": "50.0000"}
    with pytest.raises(Conflict, match="settled already: booked"):
        assign(billed, entry.id, ("INV-000001", "50.00"))


def test_a_movement_is_assigned_to_a_customer_and_kept(billed):
    entry = assign(billed, waiting_entry(billed), customer_id=billed.customer.id)
    assert (entry.state, len(paid(billed))) == ("part_booked", 1)
    assert left(billed) == {"INV-000001": "119.0000", "INV-000002": "50.0000"}
    # From now on the account is known to pay for the customer.
    (look,) = preview(billed, statement(Entry("3.33", "x", bank="n"), id="2"))
    (first,) = look.looks[0].suggestions
    assert (first.customer_id, first.hints) == (billed.customer.id, ("account",))


def test_what_can_not_be_assigned_is_refused(billed):
    waiting, fee = waiting_entry(billed), MIXED[3]
    with pytest.raises(BadInput, match="Say which customer") as refused:
        assign(billed, waiting)
    assert [one.pointer for one in refused.value.errors] == ["/customer"]
    with pytest.raises(NotFound) as refused:
        assign(billed, waiting, ("INV-000009", "1.00"))
    assert [one.pointer for one in refused.value.errors] == ["/allocations/0/document"]
    with pytest.raises(Conflict) as refused:
        assign(billed, waiting, ("INV-000001", "50.01"))
    assert [one.pointer for one in refused.value.errors] == ["/allocations"]
    with pytest.raises(NotFound):
        assign(billed, uuid4(), customer_id=billed.customer.id)
    row = {"code": "C2", "name": "Lock Hotels", "country": "DE"}
    other = customers.add_customers(actor=billed.owner, customers=[row])[0]
    with pytest.raises(BadInput, match="another customer"):
        assign(billed, waiting, ("INV-000001", "1.00"), customer_id=other.id)
    with pytest.raises(BadInput, match="Only money that came in"):
        assign(billed, waiting_entry(billed, fee), customer_id=billed.customer.id)
    assert paid(billed) == []


def test_a_movement_is_set_aside_and_assigned_after_all(billed):
    waiting, keeper = waiting_entry(billed), billed.actors[Role.BOOKKEEPER]
    with pytest.raises(BadInput):
        bank_files.set_entry_aside(actor=keeper, entry_id=waiting, reason=" ")
    aside = bank_files.set_entry_aside(actor=keeper, entry_id=waiting, reason="A loan of the owner")
    assert (aside.state, aside.why, aside.settled_by) == ("set_aside", "A loan of the owner", keeper.id)
    assert assign(billed, waiting, ("INV-000002", "50.00")).state == "booked"
    with pytest.raises(Conflict):
        bank_files.set_entry_aside(actor=keeper, entry_id=waiting, reason="Too late")


def test_a_payment_that_the_bank_takes_back_opens_its_document_again(billed):
    back = Entry("-119.00", "Unpaid", end_to_end="E2E-1", returned="AC04", bank="B-9", on="2026-06-12")
    take_in(billed, statement(MIXED[0]))
    (look,) = take_in(billed, statement(back, id="2", opening="1119.00", until="2026-06-12"))
    assert fates([look]) == ["unmatched"]
    assert look.looks[0].verdict.why == "The bank took back an earlier payment: AC04."
    with billed.reading():
        (payment,) = entries.payments_taken_back(entries.get_bank_entry(entry_id(look)))

    keeper = billed.actors[Role.BOOKKEEPER]
    entry = bank_files.return_entry(actor=keeper, entry_id=entry_id(look), payment_id=payment.id)

    assert (entry.state, entry.refund.kind, entry.refund.amount) == ("returned", "return", 119)
    assert left(billed)["INV-000001"] == "119.0000"
    assert balances(billed)["1100"] == "169.0000"
    with billed.reading():
        assert entries.payments_taken_back(entry) == []


def test_money_that_went_out_under_the_id_of_a_payment_waits(billed):
    take_in(billed, statement(MIXED[0]))
    out = Entry("-119.00", "x", end_to_end="E2E-1", bank="B-9")
    assert fates(preview(billed, statement(out, id="2"))) == ["unmatched"]
    assert fates(preview(billed, statement(Entry("-118.00", end_to_end="E2E-1"), id="2"))) == ["set_aside"]


def test_another_amount_takes_no_payment_back(billed):
    take_in(billed, statement(MIXED[0]))
    back = Entry("-118.00", end_to_end="E2E-1", returned="AC04", bank="B-9")
    (look,) = take_in(billed, statement(back, id="2"))
    with billed.reading():
        (payment,) = settling.payments()
    keeper = billed.actors[Role.BOOKKEEPER]
    with pytest.raises(
        Conflict, match=r"119\.00 EUR of the payment is there to take back, and 118\.00 EUR went"
    ):
        bank_files.return_entry(actor=keeper, entry_id=entry_id(look), payment_id=payment.id)
    waiting = waiting_entry(billed, MIXED[2])
    with pytest.raises(BadInput):
        bank_files.return_entry(actor=keeper, entry_id=waiting, payment_id=payment.id)
    assert left(billed) == {"INV-000002": "50.0000"}


def test_a_payment_recorded_by_hand_before_is_not_booked_again(billed):
    new = NewPayment(billed.customer.id, date(2026, 6, 9), D(119), allocations=[("INV-000001", D(119))])
    payments.record_payment(actor=billed.actors[Role.BOOKKEEPER], payment=new)
    (look,) = take_in(billed, statement(MIXED[0]))
    assert look.looks[0].verdict.why == "Nothing is left to pay of INV-000001."
    assert len(paid(billed)) == 1


def test_who_may_not_record_payments_takes_nothing_in(billed):
    viewer = billed.actors[Role.VIEWER]
    with pytest.raises(Forbidden):
        bank_files.preview_bank_file(actor=viewer, file=BankFile(statement(MIXED[0])))
    with pytest.raises(Forbidden):
        bank_files.import_bank_file(actor=viewer, file=BankFile(statement(MIXED[0])))
    for do, rest in (
        (bank_files.assign_entry, {}),
        (bank_files.set_entry_aside, {"reason": "x"}),
        (bank_files.return_entry, {"payment_id": uuid4()}),
    ):
        with pytest.raises(Forbidden):
            do(actor=viewer, entry_id=uuid4(), **rest)
