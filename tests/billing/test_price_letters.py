"""New prices told ahead: listed with whom they concern, and announced by letters, once."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.core import mail

from accounts.errors import BadInput, Conflict, Forbidden
from accounts.permissions import Role
from billing.commands import prices, sending
from billing.queries import sending as queries
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import body_of, has_address, run_owed, sendings

TODAY = date(2026, 6, 15)
AUGUST = date(2026, 8, 1)


@pytest.fixture
def charged(north, superuser):
    """An operator whose one customer was charged at the list in April, and whose month costs more from August on."""
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)
    mail.outbox.clear()
    prices.set_price(actor=north.owner, item_code="month", amount=Decimal("31.50"), effective_from=AUGUST)
    return north


def ahead(cast, days=90):
    with cast.reading():
        return queries.price_changes_ahead(TODAY, days)


def test_a_price_to_come_is_listed_with_whom_it_concerns(charged):
    (change,) = ahead(charged)

    assert (change.item_code, change.before, change.after) == ("month", Decimal(30), Decimal("31.50"))
    assert (change.effective_from, change.announced_on) == (AUGUST, None)
    assert [one.code for one in change.concerns] == ["C1"]
    assert ahead(charged, days=20) == []


def test_an_items_first_price_changes_nothing(charged):
    item = prices.NewPriceItem("leak", "Leak stopped", "event", Decimal(9), AUGUST, event_type="leak.stopped")
    prices.add_price_items(actor=charged.owner, items=[item])

    assert [change.item_code for change in ahead(charged)] == ["month"]


def test_a_price_is_announced_by_letter_and_once(charged):
    version = ahead(charged)[0].version_id
    bookkeeper = charged.actors[Role.BOOKKEEPER]

    sending.announce_price(actor=bookkeeper, version_id=version)
    with pytest.raises(Conflict, match="were made on 2026-06-15"):
        sending.announce_price(actor=bookkeeper, version_id=version)
    run_owed(charged)

    (sent,) = mail.outbox
    assert sent.subject == "New price from 1 August 2026, from North Fixture Care"
    assert (
        "from 1 August 2026 on, Unit and month costs 31.50 EUR instead of 30.00 EUR, net of tax."
        in body_of(sent)
    )
    assert ahead(charged)[0].announced_on == TODAY
    assert [one.kind for one in sendings(charged)] == ["issue", "price_change"]


def test_a_price_in_force_is_not_announced_any_more(charged, later):
    version = ahead(charged)[0].version_id
    later(days=60)

    with pytest.raises(BadInput, match="before the day that it begins"):
        sending.announce_price(actor=charged.owner, version_id=version)
    assert len(sendings(charged)) == 1


def test_only_who_sends_documents_announces(charged):
    version = ahead(charged)[0].version_id

    for role in (Role.VIEWER, Role.DISPATCHER, Role.NETWORK):
        with pytest.raises(Forbidden):
            sending.announce_price(actor=charged.actors[role], version_id=version)
    assert ahead(charged)[0].announced_on is None
