"""A customer's statement of account: what moved its balance, and what it owes."""

from datetime import date
from decimal import Decimal

import pytest

from accounts import clock
from accounts.errors import NotFound
from accounts.permissions import Role
from billing.commands import payments
from billing.commands.crediting import credit_document
from billing.commands.payments import NewPayment
from billing.queries import statement
from tests.billing.books import APRIL, MAY, close, list_prices, on


def said(cast, since, until, **more):
    with cast.reading():
        return statement.statement(cast.customer.id, since=since, until=until, **more)


def figures(found):
    rows = [(str(row.on), row.kind, row.amount, row.balance) for row in found.rows]
    return found.opening, rows, found.closing


def paid(cast, amount, day):
    payments.record_payment(
        actor=cast.actors[Role.BOOKKEEPER],
        payment=NewPayment(
            customer_id=cast.customer.id,
            received_on=day,
            amount=Decimal(amount),
            currency="EUR",
            reference="Thanks",
        ),
    )


def traded(cast):
    """75.00 invoiced on 3 May, 30.00 on 3 June, 40.00 paid on 20 May, 30.00 given back on 15 June."""
    list_prices(cast)
    cast.upload(cast.installed(at=on(4, 1)))
    close(cast, APRIL)
    close(cast, MAY)
    paid(cast, "40.00", date(2026, 5, 20))
    credit_document(actor=cast.owner, number="INV-000002", reason="Agreed")


def test_a_statement_lists_documents_and_payments_by_day_with_the_balance(north):
    traded(north)
    assert figures(said(north, date(2026, 5, 1), date(2026, 6, 30))) == (
        0,
        [
            ("2026-05-03", "invoice", 75, 75),
            ("2026-05-20", "payment", -40, 35),
            ("2026-06-03", "invoice", 30, 65),
            ("2026-06-15", "credit_note", -30, 35),
        ],
        35,
    )


def test_what_was_before_is_the_opening_balance_and_what_comes_after_is_left_out(north):
    traded(north)
    assert figures(said(north, date(2026, 5, 20), date(2026, 6, 14))) == (
        75,
        [("2026-05-20", "payment", -40, 35), ("2026-06-03", "invoice", 30, 65)],
        65,
    )
    assert figures(said(north, date(2026, 7, 1), date(2026, 7, 31))) == (35, [], 35)


def test_an_account_without_moves_is_in_the_operators_currency(north):
    found = said(north, date(2026, 5, 1), date(2026, 5, 31))
    assert (found.currency, figures(found)) == ("EUR", (0, [], 0))
    traded(north)
    assert figures(said(north, date(2026, 5, 1), date(2026, 5, 31), currency="USD")) == (0, [], 0)
    with north.reading():
        assert statement.currencies(north.customer.id) == ["EUR"]


def test_a_rivals_customer_has_no_statement(north, south):
    clock.set_to(on(6, 15))
    with south.reading(), pytest.raises(NotFound):
        statement.statement(north.customer.id, since=APRIL, until=MAY)
