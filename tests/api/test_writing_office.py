"""Standstills, reports, service rules and prices by the API: what is recorded or set, and what is refused."""

from __future__ import annotations

from uuid import uuid4

import pytest

from accounts.permissions import Role
from tests.api.callers import made, office, phone_of, refused, signed_in

CUSTOMER = {"code": "C7", "name": "Lock Hotels", "country": "AT"}
ITEM = {"code": "clog", "name": "Outlet cleared", "basis": "event", "event_type": "outlet.cleared"}
PRICE = {"amount": "18.50", "effective_from": "2026-07-01"}


# Standstills and reports


def test_the_office_lets_a_site_pause_once(north):
    client, own = office(north), str(uuid4())
    body = {"site": str(north.site.id), "starts_on": "2026-08-01", "billing": "half", "id": own}

    first, again = client.send("standstills", body), client.send("standstills", body)
    other = client.send("standstills", {**body, "billing": "none"})

    assert made(first) == made(again) == {"event": own}
    assert other.status_code == 409
    shown = client.read(f"sites/{north.site.id}/standstills").json()["results"]
    assert [(one["event"], one["billing"], one["ends_on"]) for one in shown] == [(own, "half", None)]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"ends_on": "2026-07-31"}, "/ends_on"),
        ({"starts_on": "9999-12-31"}, "/starts_on"),
        ({"billing": "double"}, "/billing"),
        ({"site": "S1"}, "/site"),
    ],
)
def test_a_standstill_that_makes_no_sense_is_refused(north, change, pointer):
    body = {"site": str(north.site.id), "starts_on": "2026-08-01", "billing": "none", **change}

    assert refused(office(north).send("standstills", body), 400) == [pointer]
    assert office(north).read("service-events").json()["results"] == []


def test_a_report_of_a_site_and_one_of_a_unit_are_taken_down(north):
    client = office(north)

    of_site = made(client.send("reports", {"site": str(north.site.id), "kind": "odour"}))
    of_unit = made(client.send("reports", {"unit": str(north.unit.id), "kind": "leak"}))

    shown = {report["event"]: report for report in client.read("reports").json()["results"]}
    assert shown[of_site["event"]]["site"] == str(north.site.id)
    assert shown[of_unit["event"]]["unit"] == str(north.unit.id)


@pytest.mark.parametrize(
    ("names", "kind", "pointer"),
    [((), "odour", "/site"), (("site", "unit"), "odour", "/site"), (("site",), "noise!", "/kind")],
)
def test_a_report_is_about_one_thing_and_of_a_known_kind(north, names, kind, pointer):
    ids = {"site": str(north.site.id), "unit": str(north.unit.id)}

    answer = office(north).send("reports", {"kind": kind} | {name: ids[name] for name in names})

    assert refused(answer, 400) == [pointer]


def test_a_phone_sends_events_and_uses_no_door_of_the_office(north):
    phone = phone_of(north)

    assert phone.send("reports", {"site": str(north.site.id), "kind": "odour"}).status_code == 403
    assert phone.send("customers", CUSTOMER).status_code == 403
    assert phone.read("reports").json()["results"] == []


# Service rules and prices


def test_an_owner_sets_the_service_rules_from_a_day_on(north):
    owner = signed_in(north)

    rules = made(
        owner.send(
            "service-rules", {"effective_from": "2026-07-01", "dry_soon_days": 5, "dry_target": "0.05"}
        )
    )

    assert owner.read("service-rules").json()["results"] == [rules]
    assert (rules["dry_soon_days"], rules["long_past_days"]) == (5, 14)
    assert (rules["dry_target"], rules["wick_change_cost"]) == ("0.050", "8.00")
    assert owner.send("service-rules", {"effective_from": "2026-07-01"}).status_code == 409


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"dry_soon_days": 0}, "/dry_soon_days"),
        ({"long_past_days": 366}, "/long_past_days"),
        ({"wick_watch_days": 541}, "/wick_watch_days"),
        ({"wick_limit_days": 40_000}, "/wick_limit_days"),
        ({"effective_from": "2026-06-14"}, "/effective_from"),
        ({"dry_target": "0"}, "/dry_target"),
        ({"dry_target": "0.501"}, "/dry_target"),
        ({"false_alarms_per_1000": "0.05"}, "/false_alarms_per_1000"),
        ({"wick_change_cost": "0"}, "/wick_change_cost"),
        ({"wick_failure_cost": "12.345"}, "/wick_failure_cost"),
        ({"wick_wash_cost": "-1"}, "/wick_wash_cost"),
    ],
)
def test_service_rules_that_make_no_sense_are_refused(north, change, pointer):
    answer = signed_in(north).send("service-rules", {"effective_from": "2026-07-01", **change})

    assert refused(answer, 400) == [pointer]
    assert signed_in(north).read("service-rules").json()["results"] == []


def test_a_price_list_comes_in_and_a_price_changes(north):
    books = signed_in(north, Role.BOOKKEEPER)

    month = {"code": "month", "name": "Unit and month", "basis": "unit_month", "fixture": "urinal"}
    items = made(books.send("price-items", [{**ITEM, **PRICE}, {**month, **PRICE}]))
    price = made(
        books.send("price-items/clog/prices", {"amount": "19.123456", "effective_from": "2026-08-01"})
    )

    listed = books.read("price-items").json()["results"]
    assert [item["code"] for item in listed] == [item["code"] for item in items] == ["clog", "month"]
    (first,) = items[0]["prices"]
    assert first == {
        "id": first["id"],
        "amount": "18.500000",
        "currency": "EUR",
        "effective_from": "2026-07-01",
        "effective_to": None,
        "announced_on": None,
        "index": None,
    }
    assert [one["effective_to"] for one in listed[0]["prices"]] == ["2026-08-01", None]
    assert listed[0]["prices"][1] == price
    assert books.send("price-items", {**ITEM, **PRICE}).status_code == 409
    again = books.send("price-items/clog/prices", {"amount": "1", "effective_from": "2026-08-01"})
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"amount": "-0.01"}, "/amount"),
        ({"amount": "1.0000001"}, "/amount"),
        ({"amount": "1000000000"}, "/amount"),
        ({"amount": "Infinity"}, "/amount"),
        ({"basis": "day"}, "/basis"),
        ({"event_type": "report.received"}, "/event_type"),
        ({"event_type": ""}, "/event_type"),
        ({"basis": "install"}, "/event_type"),
        ({"fixture": "bath"}, "/fixture"),
        ({"code": "a/b"}, "/code"),
        ({"code": "c" * 41}, "/code"),
        ({"name": "n" * 121}, "/name"),
        ({"effective_from": "July"}, "/effective_from"),
    ],
)
def test_a_price_item_that_makes_no_sense_is_refused(north, change, pointer):
    books = signed_in(north, Role.BOOKKEEPER)

    assert refused(books.send("price-items", {**ITEM, **PRICE, **change}), 400) == [pointer]
    assert books.read("price-items").json()["results"] == []
    made(books.send("price-items", {**ITEM, **PRICE}))


def test_a_closed_month_keeps_its_prices(north, lived):
    body = {"amount": "1", "effective_from": "2026-04-30"}

    assert signed_in(north).send("price-items/wick/prices", body).status_code == 409
    assert signed_in(north).send("price-items/wick/prices", {**body, "amount": "-1"}).status_code == 400
