"""What money that leaves again does to the royalty on what was collected, and to the month's figures.

The network's rules are of common practice, without a source; the arithmetic is done by hand beside each figure.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

from accounts import clock
from billing.commands import refunding, returning
from billing.commands.refunding import NewRefund
from billing.queries import settling
from billing.queries.months import MoneyFigure, money_months, money_rows
from billing.rules.royalty import Basis
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, on
from tests.billing.test_royalty_statements import agree, billed, give_back, pay, rows, state
from tests.pages.sellers import sell_with_vat

__all__ = ["billed"]  # a fixture

JULY = date(2026, 7, 1)


def first_payment(cast):
    with cast.reading():
        return settling.payments().get()


def send_back(cast, day):
    with clock.playing(datetime(day.year, day.month, day.day, 12, tzinfo=UTC)):
        payment = first_payment(cast)
        returning.return_payment(actor=cast.owner, payment_id=payment.id, returned_on=day)


def pay_back(cast, amount, day, **origin):
    with clock.playing(datetime(day.year, day.month, day.day, 12, tzinfo=UTC)):
        refunding.record_refund(actor=cast.owner, refund=NewRefund(Decimal(amount), day, **origin))


def test_a_payment_that_bounced_lowers_the_base_of_its_month_and_counts_when_it_comes_again(billed):
    agree(billed, Basis.COLLECTED)
    pay(billed, "75.00", "INV-000001", date(2026, 5, 20))
    may = state(billed, MAY)
    send_back(billed, date(2026, 6, 10))
    june = state(billed, JUNE)
    pay(billed, "75.00", "INV-000001", date(2026, 7, 6))
    july = state(billed, JULY)

    assert rows(may) == [("payment", "INV-000001", "75.00")]
    assert rows(june) == [("payment", "INV-000001", "-75.00")]
    assert (june.royalty, june.carried_out) == (0, Decimal(-75))
    assert rows(july) == [("payment", "INV-000001", "75.00")]
    assert (july.royalty, july.carried_out) == (0, 0)  # 75 - 75


def test_a_return_written_down_after_its_month_was_stated_counts_in_the_next(billed):
    agree(billed, Basis.COLLECTED)
    pay(billed, "75.00", "INV-000001", date(2026, 5, 20))
    state(billed, MAY)
    with clock.playing(datetime(2026, 6, 8, 12, tzinfo=UTC)):
        payment = first_payment(billed)
        returning.return_payment(
            actor=billed.owner, payment_id=payment.id, returned_on=date(2026, 5, 28), reason="No funds"
        )

    assert rows(state(billed, JUNE)) == [("payment", "INV-000001", "-75.00")]


def test_what_is_paid_back_of_a_credit_note_lowers_the_base_by_its_net(north):
    # 19 % tax: 75.00 net are 89.25; 20.00 given back are 23.80, of which 11.90 is half.
    sell_with_vat(north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    agree(north, Basis.COLLECTED)
    pay(north, "89.25", "INV-000001", date(2026, 5, 20))
    state(north, MAY)
    give_back(north, "INV-000001", "20.00", on(6, 10))
    pay_back(north, "11.90", date(2026, 6, 12), credit_note="CRN-000001")
    june = state(north, JUNE)
    pay_back(north, "11.90", date(2026, 7, 2), credit_note="CRN-000001")
    july = state(north, JULY)

    assert rows(june) == [("refund", "CRN-000001", "-10.00")]
    assert rows(july) == [("refund", "CRN-000001", "-10.00")]
    assert (june.carried_out, july.carried_out) == (Decimal(-10), Decimal(-20))


def test_what_was_taken_off_when_it_was_given_back_is_not_taken_off_again(billed):
    agree(billed, Basis.BILLED)
    pay(billed, "75.00", "INV-000001", date(2026, 5, 20))
    state(billed, MAY)
    give_back(billed, "INV-000001", "20.00", on(6, 10))
    pay_back(billed, "20.00", date(2026, 6, 12), credit_note="CRN-000001")

    assert rows(state(billed, JUNE)) == [
        ("invoice", "INV-000002", "30.00"),
        ("credit_note", "CRN-000001", "-20.00"),
    ]


def test_kept_money_paid_back_was_in_no_base(billed):
    agree(billed, Basis.COLLECTED)
    state(billed, MAY)
    pay(billed, "30.00", "INV-000002", date(2026, 6, 10))
    with clock.playing(datetime(2026, 6, 11, 12, tzinfo=UTC)):
        payment = first_payment(billed)
        with billed.reading():
            (row,) = settling.allocations_of_payments([payment.id])[payment.id]
        returning.release_allocation(actor=billed.owner, allocation_id=row.id)
    pay_back(billed, "30.00", date(2026, 6, 12), payment_id=payment.id)

    assert rows(state(billed, JUNE)) == []


def test_the_month_sheet_counts_what_stayed(billed):
    pay(billed, "75.00", "INV-000001", date(2026, 6, 10))
    send_back(billed, date(2026, 6, 12))
    months, last = [MAY, JUNE], date(2026, 6, 30)

    with billed.reading():
        may, june = money_months("EUR", months, last)
        behind = money_rows(MoneyFigure.PAID, "EUR", JUNE, last)

    assert (may.paid, june.paid) == (0, 0)
    assert [str(row.adds) for row in behind] == ["75.0000", "-75.0000"]
    assert june.owed == Decimal(105)
