"""What is nearly right is refused where it would mean something else: an empty filter, a word for yes, a number for a text."""

from __future__ import annotations

import pytest

from tests.api.callers import made, office, refused, signed_in


@pytest.mark.parametrize("query", [{"customer": ""}, {"received_to": ""}, {"external_id": ""}, {"limit": ""}])
def test_an_empty_query_parameter_does_not_answer_with_everything(north, query):
    answer = signed_in(north).read("payments", **query)

    assert refused(answer, 400) == [f"/{name}" for name in query]
    assert answer.json()["errors"][0]["code"] == "empty-parameter"


@pytest.mark.parametrize("value", ["AAA", "1", "yes", "null", "TRUE"])
def test_yes_and_no_are_true_and_false(north, value):
    client = signed_in(north)

    assert refused(client.read("crews", active=value), 400) == ["/active"]
    assert [len(client.read("crews", active=one).json()["results"]) for one in ("true", "false")] == [1, 0]


def test_a_number_is_no_text(north):
    client = office(north)
    customer = {"code": "C7", "name": "Lock Hotels", "country": "AT"}

    assert refused(client.send("customers", [{**customer, "code": 7}]), 400) == ["/0/code"]
    assert refused(client.send("sites", [{"customer": 12, "code": "S", "name": "S", "kind": "office"}]), 400)[
        0
    ] == ("/0/customer")
    assert made(client.send("customers", [{**customer, "code": "007"}]))[0]["code"] == "007"


@pytest.mark.parametrize("amount", [5, 5.1])
def test_an_amount_is_a_text(north, amount):
    payment = {"customer": str(north.customer.id), "received_on": "2026-06-10"}
    client = signed_in(north)

    assert refused(client.send("payments", {**payment, "amount": amount}), 400) == ["/amount"]
    assert made(client.send("payments", {**payment, "amount": "5.1"}))["amount"] == "5.10"


@pytest.mark.parametrize("live", ["true", 1, "no"])
def test_a_word_is_not_yes_or_no(north, live):
    client = signed_in(north)
    body = {"url": "https://books.example/hooks"}
    endpoint = made(client.send("webhook-endpoints", body))["id"]

    answer = client.put(
        f"/api/v1/webhook-endpoints/{endpoint}", {**body, "live": live}, content_type="application/json"
    )

    assert refused(answer, 400) == ["/live"]


def test_an_empty_amount_is_no_amount_left_open(north):
    client, path = signed_in(north), "contracts"
    site = {"site": str(north.site.id)}
    body = {"number": "K-9", "customer": str(north.customer.id), "starts_on": "2026-07-01", "sites": [site]}
    terms = {"mode": "base_plus", "base_units": 4}

    answer = client.send(path, {**body, "terms": {**terms, "invoice_minimum": ""}})

    assert refused(answer, 400) == ["/terms/invoice_minimum"]
    made(client.send(path, {**body, "terms": {**terms, "invoice_minimum": None}}))


@pytest.mark.parametrize("currency", ["XXX", "euro", "\u00de\u0005"])
def test_a_statement_in_no_currency_is_refused(north, currency):
    client, path = signed_in(north), f"customers/{north.customer.id}/statement"

    assert refused(client.read(path, currency=currency), 400) == ["/currency"]
    assert client.read(path, currency="JPY").json()["closing"] == "0"


@pytest.mark.parametrize(
    ("instant", "status"),
    [
        ("0416-07-07T20:48:19.9-22:47", 200),  # PostgreSQL knows offsets of less than sixteen hours
        ("2026-06-15T12:00:00+23:59", 200),
        ("9999-12-31T23:00:00-22:47", 400),
        ("0001-01-01T00:00:00+01:00", 400),
    ],
)
def test_an_instant_may_have_any_offset_but_no_year_that_there_is_not(north, instant, status):
    client = signed_in(north)

    for name in ("occurred_before", "occurred_from"):
        answer = client.read("service-events", **{name: instant})
        assert answer.status_code == status, answer.content
        if status == 400:
            assert refused(answer, 400) == [f"/{name}"]
