"""Who owes what, and since when. The bands of 30 days past due are common practice, no source."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from uuid import uuid4

import pytest

from billing.commands import payments
from billing.commands.payments import NewPayment
from billing.queries import ageing
from billing.queries.ageing import totals
from billing.rules.ageing import Band, Item, aged, band
from tests.billing.books_of_account import Said, content, issue

AT = date(2026, 6, 15)


@pytest.mark.parametrize(
    ("days_past_due", "expected"),
    [
        (-1, Band.NOT_DUE),
        (0, Band.NOT_DUE),
        (1, Band.TO_30),
        (30, Band.TO_30),
        (31, Band.TO_60),
        (60, Band.TO_60),
        (61, Band.TO_90),
        (90, Band.TO_90),
        (91, Band.OVER_90),
        (4000, Band.OVER_90),
    ],
)
def test_a_debt_is_in_the_band_of_its_days_past_due(days_past_due, expected):
    assert band(AT - timedelta(days=days_past_due), AT) is expected


def test_customers_and_currencies_are_kept_apart_and_credit_is_no_debt():
    one, other = uuid4(), uuid4()
    items = [
        Item(one, "EUR", AT, Decimal(10)),
        Item(one, "EUR", AT - timedelta(days=45), Decimal(20)),
        Item(one, "EUR", None, Decimal(7)),
        Item(one, "JPY", AT, Decimal(500)),
        Item(other, "EUR", AT, Decimal(3)),
    ]

    found = aged(items, AT)

    assert set(found) == {(one, "EUR"), (one, "JPY"), (other, "EUR")}
    mine = found[one, "EUR"]
    assert (mine.bands[Band.NOT_DUE], mine.bands[Band.TO_60], mine.credit) == (10, 20, 7)
    assert (mine.owed, mine.balance) == (30, 23)


def row(cast, at):
    with cast.reading():
        found = ageing.ageing(at=at)
    (debtor,) = found
    (owes,) = debtor.rows
    bands = {name: str(amount) for name, amount in owes.bands.items() if amount}
    return bands, str(owes.credit), str(owes.balance)


def test_a_debt_ages_with_the_day_and_is_gone_once_paid(north):
    issue(north, content("invoice", [Said("80.00")], issued_on="2026-03-01", due_on="2026-03-31"))
    issue(north, content("invoice", [Said("20.00")], number="INV-000002", issued_on="2026-06-01"))
    payments.record_payment(
        actor=north.owner,
        payment=NewPayment(
            north.customer.id,
            date(2026, 6, 10),
            Decimal(100),
            allocations=[("INV-000001", Decimal("80.00"))],
        ),
    )

    with north.reading():
        assert ageing.ageing(at=date(2026, 2, 28)) == []
    assert row(north, date(2026, 3, 31)) == ({"not_due": "80.0000"}, "0", "80.0000")
    assert row(north, date(2026, 4, 30)) == ({"days_1_30": "80.0000"}, "0", "80.0000")
    assert row(north, date(2026, 6, 9)) == (
        {"days_61_90": "80.0000", "days_1_30": "20.0000"},
        "0",
        "100.0000",
    )
    assert row(north, date(2026, 6, 10)) == ({"days_1_30": "20.0000"}, "20.0000", "0.0000")


def test_the_sums_by_currency_are_those_of_the_rows(north, south):
    issue(north, content("invoice", [Said("80.00")]))
    issue(north, content("invoice", [Said("900")], number="INV-000002", currency="JPY"))
    issue(south, content("invoice", [Said("5.00")]))

    with north.reading():
        sums = totals(ageing.ageing(at=AT))

    assert {currency: str(of["balance"]) for currency, of in sums.items()} == {
        "EUR": "80.0000",
        "JPY": "900.0000",
    }
    assert str(sums["EUR"][Band.TO_30]) == "80.0000"
