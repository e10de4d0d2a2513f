"""Contracts, parties and prices by the API: what is made, what it then says, and where a refusal points."""

from __future__ import annotations

import pytest

from accounts.permissions import Role
from tests.api.callers import made, refused, signed_in

TERMS = {
    "mode": "base_plus",
    "base_units": 4,
    "visit_minimum": "38.00",
    "inclusions": [{"event_type": "wick.changed", "count": 1, "per": "unit", "every": "year"}],
}
SELLER = {
    "code": "DE",
    "legal_name": "Fixture Care",
    "country": "DE",
    "regime": "vat",
    "vat_id": "DE123456789",
    "iban": "DE89 3704 0044 0532 0130 00",
}


def bookkeeper(cast):
    return signed_in(cast, Role.BOOKKEEPER)


def contract(cast, **changes):
    body = {
        "number": "K-1",
        "customer": str(cast.customer.id),
        "starts_on": "2026-04-01",
        "sites": [{"site": str(cast.site.id)}],
        "terms": TERMS,
    }
    return {**body, **changes}


def test_a_contract_comes_in_with_its_sites_and_terms(north):
    books = bookkeeper(north)
    made(books.send("legal-entities", SELLER))
    answer = made(books.send("contracts", contract(north, legal_entity="DE")))

    assert (answer["number"], answer["legal_entity"], answer["ends_before"]) == ("K-1", "DE", None)
    assert books.read("contracts/K-1").json() == answer
    (site,) = books.read("contracts/K-1/sites").json()["results"]
    assert (site["site_code"], site["starts_on"], site["ends_before"]) == ("S1", "2026-04-01", None)
    (terms,) = books.read("contracts/K-1/terms").json()["results"]
    assert (terms["mode"], terms["visit_minimum"], terms["inclusions"]) == (
        "base_plus",
        "38.000000",
        TERMS["inclusions"],
    )


@pytest.mark.parametrize(
    ("changes", "pointers"),
    [
        ({"number": "a/b"}, ["/number"]),
        ({"starts_on": "soon"}, ["/starts_on"]),
        ({"terms": {"mode": "weekly"}}, ["/terms/mode"]),
        ({"terms": {"base_units": 3}}, ["/terms/base_units"]),
        ({"terms": {"inclusions": [{"event_type": "wick.changed"}]}}, None),
        ({"colour": "red"}, ["/colour"]),
        ({"renewal_months": -1}, ["/renewal_months"]),
    ],
)
def test_a_refusal_points_at_what_is_wrong(north, changes, pointers):
    books = bookkeeper(north)
    answer = books.send("contracts", contract(north, **changes))

    found = refused(answer, 400)
    assert found == (pointers or [f"/terms/inclusions/0/{name}" for name in ("count", "per", "every")])
    assert books.read("contracts").json()["results"] == []


def test_a_site_leaves_and_another_contract_takes_it(north):
    books = bookkeeper(north)
    made(books.send("contracts", contract(north)))
    clash = books.send("contracts", contract(north, number="K-2", starts_on="2026-07-01"))
    assert refused(clash, 409) == ["/sites/0/site"]

    left = books.send(f"contracts/K-1/sites/{north.site.id}/end", {"ends_before": "2026-07-01"})
    assert (left.status_code, left.json()["ends_before"]) == (200, "2026-07-01")
    made(books.send("contracts", contract(north, number="K-2", starts_on="2026-07-01")))
    later = made(books.send("contracts/K-1/terms", {"effective_from": "2026-07-01", "mode": "flat_site"}))
    assert later["mode"] == "flat_site"


def test_notice_is_given_and_taken_back(north):
    books = bookkeeper(north)
    made(books.send("contracts", contract(north)))

    given = books.send("contracts/K-1/notice", {"given_on": "2026-06-01"})
    assert (given.status_code, given.json()["ends_before"]) == (200, "2027-04-01")
    assert refused(books.send("contracts/K-1/notice", {"given_on": "2026-06-01"}), 409) == []
    back = books.send("contracts/K-1/notice", {"given_on": None})
    assert (back.status_code, back.json()["ends_before"], back.json()["notice_given_on"]) == (200, None, None)


def test_parties_are_told_and_say_what_they_were_told(north):
    books = bookkeeper(north)
    entity = made(books.send("legal-entities", SELLER))
    profile = f"customers/{north.customer.id}/billing-profile"

    assert (entity["is_default"], entity["iban"], entity["tax_jurisdiction"]) == (
        True,
        "DE89370400440532013000",
        "DE",
    )
    assert refused(books.send("legal-entities", {**SELLER, "vat_id": ""}), 400) == ["/vat_id"]
    assert books.read(profile).json()["payment_days"] is None
    assert books.send(profile, {"payment_days": 14, "po_required": True}).json()["payment_days"] == 14
    assert books.read(profile).json()["po_required"] is True
    assert refused(books.send(profile, {"bill_to": str(north.customer.id)}), 400) == ["/bill_to"]
    assert refused(books.send(profile, {"bill_to": str(north.site.id)}), 404) == ["/bill_to"]
    (site,) = made(books.send("site-billing", [{"site": str(north.site.id), "cost_centre": "7 A"}]))
    assert (site["cost_centre"], site["tax_jurisdiction"]) == ("7 A", "")
    order = made(
        books.send(
            "purchase-orders",
            {"customer": str(north.customer.id), "number": "PO-1", "starts_on": "2026-06-01", "limit": "500"},
        )
    )
    ended = books.send(f"purchase-orders/{order['id']}/end", {"ends_before": "2026-09-01"})
    assert (order["currency"], order["limit"], ended.json()["ends_before"]) == (
        "EUR",
        "500.0000",
        "2026-09-01",
    )
    rate = {
        "jurisdiction": "DE",
        "tax_class": "standard",
        "category": "S",
        "rate": "19",
        "effective_from": "2026-01-01",
    }
    assert made(books.send("tax-rates", rate))["rate"] == "19.0000"
    assert refused(books.send("tax-rates", rate), 409) == ["/effective_from"]
    assert refused(books.send("tax-rates", {**rate, "category": "Q"}), 400) == ["/category"]


def test_a_contracts_price_follows_an_index(north):
    books = bookkeeper(north)
    item = {"code": "flat", "name": "Site and month", "basis": "site_month", "revenue_account": "4400"}
    assert made(books.send("price-items", item))["prices"] == []
    made(books.send("contracts", contract(north)))
    index = {"code": "CPI", "base_month": "2025-01-01", "month": "2026-01-01", "prior_amount": "100"}
    price = {"effective_from": "2026-07-01", "contract": "K-1", "site": "S1", "index": index}

    waiting = made(books.send("price-items/flat/prices", price))
    assert (waiting["amount"], waiting["index"]["code"]) == (None, "CPI")
    made(books.send("index-figures", {"code": "CPI", "month": "2025-01-01", "value": "118.6"}))
    made(books.send("index-figures", {"code": "CPI", "month": "2026-01-01", "value": "121.2"}))
    (known,) = books.read("contracts/K-1/prices").json()["results"]
    assert (known["amount"], known["item_code"], known["site"]) == ("102.190000", "flat", str(north.site.id))
    told = books.send(f"prices/{known['id']}/announcement", {"announced_on": "2026-06-01"})
    assert told.json()["announced_on"] == "2026-06-01"
    assert refused(books.send("price-items/flat/prices", {"effective_from": "2026-08-01"}), 400) == [
        "/amount"
    ]
    bad = {**price, "index": {**index, "month": "2026-01-02"}}
    assert refused(books.send("price-items/flat/prices", bad), 400) == ["/index/month"]


def test_only_those_who_manage_contracts_and_prices_write(north):
    for role in (Role.DISPATCHER, Role.VIEWER, Role.CREW_MEMBER, Role.NETWORK):
        person = signed_in(north, role)
        for path in (
            "contracts",
            "legal-entities",
            "site-billing",
            "purchase-orders",
            "tax-rates",
            "index-figures",
        ):
            assert person.send(path, {}).status_code == 403
    assert signed_in(north, Role.VIEWER).read("contracts").status_code == 200
    assert signed_in(north, Role.NETWORK).read("contracts").status_code == 403
