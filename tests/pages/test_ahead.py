"""The page of what has to be told to customers in time."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from accounts.permissions import Role
from billing.commands import contracts, prices
from billing.commands.contracts import NewContract
from billing.queries.sending import price_changes_ahead
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import has_address, run_owed, sendings
from tests.pages.visitors import signed_in, text_of


def test_contracts_and_prices_ahead_are_listed_and_letters_are_mailed(north, superuser):
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    prices.set_price(
        actor=north.owner, item_code="month", amount=Decimal("31.50"), effective_from=date(2026, 8, 1)
    )
    contracts.add_contract(
        actor=north.owner,
        new=NewContract(
            number="K-1", customer_id=north.customer.id, starts_on=date(2025, 10, 1), notice_days=30
        ),
    )
    visitor, path = signed_in(north, Role.BOOKKEEPER), f"/{north.operator.slug}/ahead/"

    text = text_of(visitor.get(path))
    # The term ends on 30 September; thirty days before is the last day to give notice.
    assert "1 contract renews itself or ends, and 1 new price is to be announced." in text
    assert "K-1 Quay Schools" in text
    assert "goes on until Thu 30 Sep 2027" in text
    assert "Unit and month price list" in text
    assert "30.00 EUR 31.50 EUR Mail 1 letter" in text

    with north.reading():
        version = price_changes_ahead(date(2026, 6, 15), 90)[0].version_id
    answer = visitor.submit(f"{path}prices/{version}")
    assert answer.status_code == 302
    assert "1 letter is on its way." in text_of(visitor.get(answer["Location"]))
    assert "announced Mon 15 Jun" in text_of(visitor.get(path))
    again = visitor.submit(f"{path}prices/{version}")
    assert again.status_code == 409
    assert "Nothing was sent again." in text_of(again)
    run_owed(north)
    assert [one.kind for one in sendings(north) if one.sent_at] == ["issue", "price_change"]


def test_an_empty_page_says_what_will_stand_there(north):
    text = text_of(signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/ahead/"))

    assert "No contract's term, and no time to give notice in, runs out in these days." in text
    assert "No price changes in these days." in text


def test_a_viewer_sees_the_letters_to_write_and_mails_none(north):
    visitor = signed_in(north, Role.VIEWER)

    answer = visitor.submit(f"/{north.operator.slug}/ahead/prices/{north.site.id}")

    assert answer.status_code == 403
