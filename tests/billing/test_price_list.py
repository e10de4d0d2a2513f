"""The price list: items, prices from a day on, and what is refused."""

from datetime import date
from decimal import Decimal

import pytest

from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from billing.commands.prices import NewPriceItem, add_price_items, set_price
from billing.queries.prices import price_list
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, on


def prices(cast, day):
    with cast.reading():
        return {row.code: row.amount for row in price_list(day)}


def test_a_new_price_ends_the_one_before_on_its_day(north):
    list_prices(north)
    set_price(actor=north.owner, item_code="wick", amount=Decimal(14), effective_from=MAY)
    assert prices(north, date(2026, 4, 30))["wick"] == Decimal("12.5")
    assert prices(north, MAY)["wick"] == Decimal(14)
    assert prices(north, date(2026, 3, 31))["wick"] is None


def test_a_price_between_two_ends_where_the_later_one_begins(north):
    list_prices(north)
    set_price(actor=north.owner, item_code="wick", amount=Decimal(16), effective_from=JUNE)
    between = set_price(actor=north.owner, item_code="wick", amount=Decimal(14), effective_from=MAY)
    assert between.effective_to == JUNE
    assert [prices(north, day)["wick"] for day in (APRIL, MAY, JUNE)] == [Decimal("12.5"), 14, 16]
    with pytest.raises(Conflict, match="has a price from Fri 1 May 2026 already"):
        set_price(actor=north.owner, item_code="wick", amount=Decimal(15), effective_from=MAY)


def test_a_closed_month_keeps_its_prices(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    last_day = date(2026, 4, 30)
    with pytest.raises(Conflict, match="April 2026 is closed"):
        set_price(actor=north.owner, item_code="wick", amount=Decimal(1), effective_from=last_day)
    with pytest.raises(Conflict, match="April 2026 is closed"):
        add_price_items(
            actor=north.owner,
            items=[NewPriceItem("x", "X", "unit_month", Decimal(1), last_day, fixture="urinal")],
        )
    set_price(actor=north.owner, item_code="wick", amount=Decimal(1), effective_from=MAY)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"basis": "day"}, "no basis"),
        ({"fixture": "bath"}, "no fixture"),
        ({"basis": "event", "event_type": "report.received"}, "can't be priced"),
        ({"basis": "event"}, "No event type"),
        ({"event_type": "wick.changed"}, "Only an item"),
        ({"amount": Decimal(-1)}, "decimal from 0"),
        ({"amount": Decimal("NaN")}, "decimal from 0"),
        ({"amount": Decimal("1.0000001")}, "at most 6 decimals"),
        ({"currency": "XAU"}, "ISO 4217"),
        ({"code": ""}, "a code and a name"),
    ],
)
def test_an_item_that_makes_no_sense_is_refused(north, change, match):
    values = {
        "code": "x",
        "name": "X",
        "basis": "unit_month",
        "amount": Decimal(1),
        "effective_from": APRIL,
    } | change
    with pytest.raises(BadInput, match=match):
        add_price_items(actor=north.owner, items=[NewPriceItem(**values)])
    assert prices(north, APRIL) == {}


def test_the_same_work_at_the_same_fixture_has_one_item(north):
    list_prices(north)
    with pytest.raises(Conflict, match="Nothing was added"):
        add_price_items(
            actor=north.owner,
            items=[
                NewPriceItem("y", "Y", "unit_month", Decimal(1), APRIL, fixture="urinal"),
                NewPriceItem("z", "Z", "event", Decimal(1), APRIL, event_type="wick.changed"),
            ],
        )
    assert "y" not in prices(north, APRIL)


def test_prices_are_the_bookkeepers_and_owners_and_no_rivals(north, south):
    list_prices(north)
    with pytest.raises(Forbidden):
        add_price_items(actor=north.crew_phone, items=[])
    with pytest.raises(NotFound):
        set_price(actor=south.owner, item_code="wick", amount=Decimal(1), effective_from=MAY)
