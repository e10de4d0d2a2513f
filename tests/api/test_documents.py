"""Documents through the API: in three forms, what is left to give back, a credit, a statement, and a close that holds."""

from __future__ import annotations

import csv
import io
from xml.etree import ElementTree as ET

import pytest

from accounts.permissions import Role
from billing.commands import parties
from billing.queries import documents
from tests.api.callers import made, refused, signed_in
from tests.billing.books import APRIL, close, list_prices, on
from tests.pages.sellers import sell_with_vat


@pytest.fixture
def billed(north):
    sell_with_vat(north)
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, on(4, 14), reason="age")
    )
    close(north, APRIL)
    return north


@pytest.mark.parametrize("wanted", ["application/json", "application/pdf", "application/xml", "text/csv"])
def test_a_document_is_answered_in_the_form_accepted(billed, wanted):
    answer = signed_in(billed).get("/api/v1/invoices/INV-000001", headers={"accept": wanted})

    assert answer.status_code == 200
    assert answer["Content-Type"] == wanted


def test_the_ending_of_the_address_names_the_form_too(billed):
    client = signed_in(billed, Role.VIEWER)

    letter, electronic = client.read("invoices/INV-000001.pdf"), client.read("invoices/INV-000001.xml")
    plain = client.read("invoices/INV-000001.json").json()

    records = list(
        csv.DictReader(io.StringIO(client.read("invoices/INV-000001.csv").content.decode(), newline=""))
    )

    assert letter.content.startswith(b"%PDF-")
    assert [(one["item_code"], one["amount"], one["tax_rate"]) for one in records] == [
        ("month", "30.00", "19"),
        ("install", "45.00", "19"),
        ("wick", "12.50", "19"),
    ]
    with billed.reading():
        assert electronic.content.decode() == documents.get_document("INV-000001").ubl
    assert ET.fromstring(electronic.content).tag.endswith("}Invoice")
    # 87.50 and 19 % of it, 16.625, half away from zero (EN 16931).
    assert (plain["net"], plain["tax"], plain["total"]) == ("87.50", "16.63", "104.13")
    assert plain["document"]["lines"][2]["item"]["code"] == "wick"
    # The check digits by hand: INV000001RF00 with letters as 10 to 35 leaves 29 when divided by 97, and 98 - 29 is 69.
    assert plain["payment_reference"] == "RF69INV000001"
    (listed,) = client.read("invoices").json()["results"]
    assert listed["payment_reference"] == "RF69INV000001"


def test_a_form_that_is_not_there_and_one_that_is_unknown_are_refused(billed):
    client = signed_in(billed)

    nothing = client.get("/api/v1/invoices/INV-000001", headers={"accept": "text/html"})

    assert nothing.status_code == 406
    assert client.read("invoices/INV-000001.odt").status_code == 404
    assert client.read("invoices/INV-000009.pdf").status_code == 404
    assert client.read("invoices/INV-000009.pdf").json()["detail"].endswith("with this number.")


def test_a_seller_without_tax_has_no_e_invoice(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    answer = signed_in(north).read("invoices/INV-000001.xml")

    assert answer.status_code == 404
    assert "E-invoices are made for issuers that charge VAT or GST." in answer.json()["detail"]


def test_a_part_is_given_back_and_what_is_left_is_said(billed):
    client = signed_in(billed, Role.BOOKKEEPER)

    note = made(
        client.send(
            "invoices/INV-000001/credit", {"reason": "Wrong wick", "lines": [{"line": 3, "amount": "2.50"}]}
        )
    )
    left = client.read("invoices/INV-000001/creditable").json()

    # 2.50 and 19 % of it, 0.475.
    assert (note["number"], note["net"], note["total"]) == ("CRN-000001", "2.50", "2.98")
    assert (left["net_left"], left["tax_left"]) == ("85.00", "16.15")
    assert [one["left"] for one in left["lines"]] == ["30.00", "45.00", "10.00"] or sorted(
        one["left"] for one in left["lines"]
    ) == ["10.00", "30.00", "45.00"]
    lines = client.read("credit-notes/CRN-000001/lines").json()["results"]
    assert [(one["line"], one["amount"], one["credited_line"]) for one in lines] == [(1, "2.50", 3)]
    listed = client.read("credit-notes", corrects="INV-000001").json()["results"]
    assert [one["number"] for one in listed] == ["CRN-000001"]
    assert client.read("credit-notes/CRN-000001.pdf").content.startswith(b"%PDF-")


def test_more_than_is_left_and_odd_lines_are_refused_by_their_pointers(billed):
    client = signed_in(billed)
    path = "invoices/INV-000001/credit"

    assert refused(client.send(path, {"reason": "x", "lines": [{"line": 3, "amount": "12.51"}]}), 409) == [
        "/lines/0/amount"
    ]
    assert refused(client.send(path, {"reason": "x", "lines": [{"line": 9}]}), 400) == ["/lines/0/line"]
    assert refused(client.send(path, {"reason": "x", "lines": []}), 400) == ["/lines"]
    assert refused(client.send(path, {"reason": " "}), 400) == ["/reason"]
    assert refused(client.send(path, {"reason": "x", "all": True}), 400) == ["/all"]
    assert client.read("credit-notes").json()["results"] == []
    whole = made(client.send(path, {"reason": "Not ordered"}))
    assert whole["total"] == "104.13"
    assert client.send(path, {"reason": "Twice"}).status_code == 409


def test_a_statement_carries_the_balance_over_the_days_asked_for(billed):
    client = signed_in(billed, Role.VIEWER)
    path = f"customers/{billed.customer.id}/statement"

    told = client.read(path, since="2026-05-01", until="2026-05-31").json()
    later = client.read(path, since="2026-06-01").json()

    assert (told["opening"], told["closing"]) == ("0.00", "104.13")
    assert [(row["on"], row["number"], row["amount"]) for row in told["rows"]] == [
        ("2026-05-03", "INV-000001", "104.13")
    ]
    assert (later["opening"], later["rows"], later["until"]) == ("104.13", [], "2026-06-15")
    assert refused(client.read(path, since="May"), 400) == ["/since"]


def test_a_close_with_something_held_is_refused_until_it_is_left(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    keeper = north.actors[Role.BOOKKEEPER]
    parties.set_profile(actor=keeper, customer_id=north.customer.id, values={"po_required": True})
    client = signed_in(north)

    stopped = client.send("month-closes", {"month": "2026-04-01"})
    left = made(client.send("month-closes", {"month": "2026-04-01", "leave_held": True}))

    assert stopped.status_code == 409
    assert "leave them for the next one" in stopped.json()["detail"]
    assert {one["reason"] for one in left["held"]} == {"no_order"}
    assert client.read("invoices").json()["results"] == []
