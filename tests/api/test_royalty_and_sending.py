"""The doors of what is owed to the network, and of what is mailed to customers."""

from __future__ import annotations

import pytest

from accounts.permissions import Role
from tests.api.callers import made, refused, signed_in
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import ADDRESS, has_address

TERMS = {
    "effective_from": "2026-05-01",
    "network_name": "Drip Network",
    "basis": "billed",
    "tiers": [{"upto": "50.00", "percent": "10"}, {"upto": None, "percent": "8"}],
    "fund_percent": "2",
}


@pytest.fixture
def billed(north, superuser):
    """75.00 EUR of April, billed on 3 May."""
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    return north


def test_terms_are_set_and_a_month_is_stated_and_read_by_the_network(billed):
    books, network = signed_in(billed, Role.BOOKKEEPER), signed_in(billed, Role.NETWORK)
    terms = made(books.send("royalty-terms", TERMS))
    stated = made(books.send("royalty-statements", {"month": "2026-05-01"}))

    assert terms["tiers"] == [{"upto": "50", "percent": "10"}, {"upto": None, "percent": "8"}]
    assert (terms["minimum"], terms["fund_percent"], terms["currency"]) == ("0.00", "2.0000", "EUR")
    # 10 % of 50.00 and 8 % of 25.00; 2 % of 75.00.
    figures = {name: stated[name] for name in ("base", "royalty", "fund", "carried_in", "carried_out")}
    assert figures == {
        "base": "75.00",
        "royalty": "7.00",
        "fund": "1.50",
        "carried_in": "0.00",
        "carried_out": "0.00",
    }
    (listed,) = network.read("royalty-statements").json()["results"]
    read = network.read("royalty-statements/2026-05").json()
    assert listed == stated
    assert read["document"]["rows"] == [
        {"amount": "75.00", "kind": "invoice", "number": "INV-000001", "on": "2026-05-03"}
    ]
    assert network.read("invoices").status_code == 403


def test_odd_terms_and_months_are_refused_and_change_nothing(billed):
    books = signed_in(billed, Role.BOOKKEEPER)

    assert refused(books.send("royalty-terms", {**TERMS, "tiers": []}), 400) == ["/tiers"]
    assert refused(books.send("royalty-terms", {**TERMS, "basis": "guessed"}), 400) == ["/basis"]
    assert refused(books.send("royalty-terms", {**TERMS, "currency": "XXX"}), 400) == ["/currency"]
    assert refused(books.send("royalty-terms", {**TERMS, "minimum": "-1"}), 400) == ["/minimum"]
    odd = {**TERMS, "tiers": [{"upto": "5", "percent": "x"}]}
    assert refused(books.send("royalty-terms", odd), 400) == ["/tiers/0/percent"]
    assert books.send("royalty-statements", {"month": "2026-05-01"}).status_code == 400
    assert books.read("royalty-terms").json()["results"] == []
    made(books.send("royalty-terms", TERMS))
    made(books.send("royalty-statements", {"month": "2026-05-01"}))
    assert books.send("royalty-statements", {"month": "2026-05-01"}).status_code == 409
    assert books.read("royalty-statements/2026-5-1").status_code == 404
    assert len(books.read("royalty-statements").json()["results"]) == 1


def test_a_document_is_mailed_again_and_a_statement_too(billed):
    books = signed_in(billed, Role.BOOKKEEPER)
    again = made(books.send("sendings", {"document": "INV-000001", "to": "head@quay.example"}))
    statement = made(
        books.send(
            "statement-sendings",
            {"customer": str(billed.customer.id), "since": "2026-05-01", "until": "2026-05-31"},
        )
    )

    assert (again["document"], again["kind"], again["to"]) == ("INV-000001", "again", "head@quay.example")
    assert (statement["document"], statement["kind"], statement["to"]) == (None, "statement", ADDRESS)
    listed = books.read("sendings").json()["results"]
    assert {one["kind"] for one in listed} == {"issue", "again", "statement"}
    assert len(books.read("sendings", document="INV-000001").json()["results"]) == 2
    assert books.read("sendings", failed="true").json()["results"] == []
    assert [one["id"] for one in books.read("statement-sendings").json()["results"]] == [statement["id"]]


def test_what_cant_be_mailed_is_refused(billed):
    books = signed_in(billed, Role.BOOKKEEPER)

    assert books.send("sendings", {"document": "INV-000009"}).status_code == 404
    assert refused(books.send("sendings", {"document": "INV-000001", "to": "nobody"}), 400) == ["/to"]
    assert refused(
        books.send(
            "statement-sendings",
            {"customer": str(billed.customer.id), "since": "2026-05-31", "until": "2026-05-01"},
        ),
        400,
    ) == ["/until"]
    assert signed_in(billed, Role.VIEWER).send("sendings", {"document": "INV-000001"}).status_code == 403
    assert len(books.read("sendings").json()["results"]) == 1
