"""Closing a month: what goes on whose invoice, what waits, and what is refused."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from decimal import Decimal

import pytest
from django.db import connections

from accounts import clock
from accounts.errors import BadInput, Conflict, Forbidden
from billing.commands import closing, prices
from billing.projections import adding
from billing.queries import documents
from billing.rules.documents import digest
from tests.billing.books import (
    APRIL,
    JUNE,
    MAY,
    charged,
    close,
    invoice_lines,
    list_prices,
    numbers,
    on,
    total,
)
from tests.cast import new_cast


def test_a_month_becomes_one_invoice_a_customer(north):
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)),
        north.installed(north.units[1], on(4, 21), station=1),
        north.event("wick.changed", north.unit, on(4, 14), reason="age"),
    )
    close(north, APRIL)
    assert numbers(north) == ["INV-000001"]
    assert sorted(invoice_lines(north, "INV-000001")) == [
        ("regular", "install", "2026-04-01", "1.0", "45.0000"),
        ("regular", "install", "2026-04-21", "1.0", "45.0000"),
        ("regular", "month", "2026-04-01", "30.0", "30.0000"),
        ("regular", "month", "2026-04-21", "10.0", "10.0000"),
        ("regular", "wick", "2026-04-14", "1.0", "12.5000"),
    ]
    assert total(north) == Decimal("142.50")
    assert adding.check(north.operator.id) == []


def test_the_document_says_what_was_billed_and_that_tax_is_not_in_it(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 21)))
    close(north, APRIL)
    with north.reading():
        invoice = documents.get_invoice("INV-000001")
    document = invoice.document
    assert document["period"] == {"start": "2026-04-01", "end_exclusive": "2026-05-01"}
    assert (document["total"], document["currency"]) == ("55.00", "EUR")
    assert [line["amount"] for line in document["lines"]] == ["10.00", "45.00"]
    assert document["rounding"] == {"policy": "half-away-from-zero/line/1", "tax_basis": "invoice"}
    assert "tax is not included" in document["note"]
    assert digest(document) == invoice.document_sha256


def test_a_month_is_refused_before_its_end_in_the_operators_zone(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(BadInput, match="from Fri 1 May 2026 on"):
        close(north, APRIL, on(4, 30, 21))
    close(north, APRIL, on(4, 30, 22))  # midnight in Berlin
    assert numbers(north) == ["INV-000001"]


def test_a_month_closes_once_and_in_order(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(Conflict, match="close April 2026 first"):
        close(north, MAY)
    close(north, APRIL)
    with pytest.raises(Conflict, match="closed already"):
        close(north, APRIL)
    with pytest.raises(BadInput, match="first day"):
        close(north, date(2026, 5, 2))
    close(north, MAY)
    assert numbers(north) == ["INV-000001", "INV-000002"]


def test_without_prices_nothing_is_closed(north):
    north.upload(north.installed(at=on(4, 1)))
    with pytest.raises(Conflict, match="no prices"):
        close(north, APRIL)


def test_only_those_who_issue_invoices_close_a_month(north):
    list_prices(north)
    with pytest.raises(Forbidden):
        closing.close_month(actor=north.dispatcher, month=APRIL)
    with pytest.raises(Forbidden):
        prices.set_price(actor=north.dispatcher, item_code="wick", amount=Decimal(1), effective_from=MAY)


def test_two_who_close_at_once_make_one_invoice(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    clock.set_to(on(5, 3))

    def attempt(_):
        try:
            closing.close_month(actor=north.owner, month=APRIL)
        except Conflict as refused:
            return refused.code
        finally:
            connections.close_all()
        return "closed"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(attempt, range(2))) == ["closed", "conflict"]
    assert numbers(north) == ["INV-000001"]


def test_the_month_to_close_next_is_known(north):
    with north.reading():
        assert adding.next_month() is None
    list_prices(north)
    north.upload(north.installed(at=on(5, 7)))
    with north.reading():
        assert adding.next_month() == MAY
    close(north, MAY)
    with north.reading():
        assert adding.next_month() == JUNE


@pytest.mark.parametrize(
    ("currency", "price", "shown"), [("JPY", "3035", "1012"), ("KWD", "10.355", "3.452")]
)
def test_an_invoice_has_the_minor_units_of_its_currency(database, currency, price, shown):
    cast = new_cast("abroad", currency=currency)
    item = prices.NewPriceItem("month", "Unit and month", "unit_month", Decimal(price), APRIL)
    prices.add_price_items(actor=cast.owner, items=[item])
    cast.upload(cast.installed(at=on(4, 21)))
    close(cast, APRIL)
    with cast.reading():
        assert documents.get_invoice("INV-000001").document["total"] == shown
    assert adding.check(cast.operator.id) == []


@pytest.mark.parametrize("split", range(6))
def test_a_month_billed_in_two_cuts_totals_what_one_cut_gives(north, south, split):
    for cast in (north, south):
        list_prices(cast)
    for cast, held_back in ((north, 0), (south, 1)):
        events = [
            cast.installed(at=on(4, 3)),
            cast.installed(cast.units[1], on(4, 8), station=1),
            cast.event("wick.changed", cast.unit, on(4, 14), reason="age"),
            cast.event("unit.moved", cast.units[1], on(4, 20), station_id=cast.stations[2].id),
            cast.event("standstill.began", cast.site, on(4, 22), starts_on="2026-04-25", billing="half"),
            cast.event("unit.withdrawn", cast.unit, on(4, 28), reason="other"),
        ]
        late = events.pop(split) if held_back else None
        cast.upload(*events)
        close(cast, APRIL)
        cast.upload(*filter(None, [late]))
        close(cast, MAY)
    assert charged(south) == charged(north)
    assert adding.check(south.operator.id) == []
