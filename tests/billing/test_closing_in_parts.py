"""A close taken apart: however it is cut, the same charges, and documents in the order of the payers' codes."""

from datetime import date
from decimal import Decimal

from accounts.commands import customers
from billing.commands import parties
from billing.models import CloseInputs
from billing.projections import adding, grouping
from billing.queries import closes, documents
from fleet import commands as fleet
from tests.billing.books import APRIL, JUNE, MAY, charged, close, list_prices, numbers, on


def second_customer(cast, code="A0"):
    """Another customer with a site and a station, whose code comes before the standing one's."""
    customer = customers.add_customers(
        actor=cast.owner, customers=[{"code": code, "name": "Quay Offices", "country": "DE"}]
    )[0]
    site = customers.add_sites(
        actor=cast.owner,
        sites=[
            {
                "customer_id": customer.id,
                "code": "S2",
                "name": "Office",
                "kind": "office",
                "zone": "Europe/Berlin",
                "crew_id": cast.crew.id,
            }
        ],
    )[0]
    customers.add_agreements(
        actor=cast.owner,
        agreements=[
            {
                "site_id": site.id,
                "number": "A2",
                "anchor_on": date(2026, 1, 10),
                "starts_on": date(2026, 1, 1),
            }
        ],
    )
    restroom = fleet.add_restrooms(actor=cast.owner, restrooms=[{"site_id": site.id, "name": "First floor"}])[
        0
    ]
    cast.stations += fleet.add_stations(
        actor=cast.owner, stations=[{"restroom_id": restroom.id, "name": "1", "fixture": "urinal"}]
    )
    return customer


def history(cast):
    """Two customers' units, of which one moves from one to the other; then work that is told late."""
    second_customer(cast)
    cast.upload(
        cast.installed(at=on(4, 1)),
        cast.installed(cast.units[1], on(4, 6), station=3),
        cast.installed(cast.units[2], on(4, 10), station=1),
    )
    close(cast, APRIL)
    cast.upload(
        cast.event("unit.moved", cast.unit, on(5, 11), station_id=cast.stations[3].id),
        cast.event("wick.changed", cast.units[1], on(4, 20), reason="age"),
    )
    close(cast, MAY)
    close(cast, JUNE)


def payers_in_order(cast):
    with cast.reading():
        return [
            (row.number, row.customer.code, row.total)
            for row in documents.invoices_in_order().select_related("customer")
        ]


def test_a_close_cut_small_gives_what_a_close_in_one_piece_gives(north, south, monkeypatch):
    for cast in (north, south):
        list_prices(cast)
    history(south)
    monkeypatch.setattr(grouping, "SUBJECTS_IN_A_PART", 1)
    history(north)
    with north.reading():
        parts = [closes.parts_of(row).count() for row in closes.closes_in_order()]
    # Until a unit hung at both, the two customers were parts by themselves.
    assert parts == [2, 1, 1]
    assert charged(north) == charged(south)
    assert payers_in_order(north) == payers_in_order(south)
    assert [adding.check(cast.operator.id) for cast in (north, south)] == [[], []]


def test_documents_are_numbered_in_the_order_of_the_payers_codes(north):
    list_prices(north)
    history(north)
    assert [code for _, code, _ in payers_in_order(north)] == ["A0", "C1"] * 3


def test_one_payer_gets_one_document_for_all_whose_bills_it_pays(north):
    list_prices(north)
    other = second_customer(north)
    parties.set_profile(actor=north.owner, customer_id=other.id, values={"bill_to_id": north.customer.id})
    north.upload(north.installed(at=on(4, 1)), north.installed(north.units[1], on(4, 1), station=3))
    close(north, APRIL)
    assert payers_in_order(north) == [("INV-000001", "C1", Decimal(150))]
    assert numbers(north) == ["INV-000001"]
    assert adding.check(north.operator.id) == []


def test_work_at_no_site_of_the_operators_has_a_disposition_too(north):
    list_prices(north)
    stray = north.event("wick.changed", north.units[2], on(4, 10), reason="age")
    north.upload(north.installed(at=on(4, 1)), stray)
    close(north, APRIL)
    with north.reading():
        assert [(str(d.event_id), d.reason) for d in closes.held_dispositions()] == [
            (stray["id"], "not_in_service")
        ]
        assert CloseInputs.objects.count() == 1
    north.upload(north.installed(north.units[2], on(4, 2), station=1))
    close(north, MAY)
    with north.reading():
        assert closes.held_dispositions() == []
    assert adding.check(north.operator.id) == []
