"""A rival's id at every route that takes one: 404 as for an absent one, and nothing of the rival's changes."""

from __future__ import annotations

from uuid import uuid4

import pytest

from tests.api.callers import LISTS, api_routes, everything, live, names_in, phone_of, signed_in

BODIES = {"api-service-event-counter": {"reason": "other"}}
PROBES = {
    "api-agreement": "GET",
    "api-alert": "GET",
    "api-alert-acknowledge": "POST",
    "api-crew": "GET",
    "api-customer": "GET",
    "api-device": "GET",
    "api-device-revoke": "POST",
    "api-invoice": "GET",
    "api-invoice-lines": "GET",
    "api-service-event": "GET",
    "api-service-event-counter": "POST",
    "api-site": "GET",
    "api-site-standstills": "GET",
    "api-unit": "GET",
    "api-unit-events": "GET",
    "api-visit": "GET",
}


def routes_by_id():
    return {route.name: (address, route) for address, route in api_routes() if names_in(route)}


def test_every_route_with_an_id_has_a_probe_for_each_of_its_methods():
    methods = {
        name: set(route.callback.view_class.permissions) for name, (_, route) in routes_by_id().items()
    }

    assert methods == {name: {method} for name, method in PROBES.items()}


def ask(client, name, values):
    address, route = routes_by_id()[name]
    for part in names_in(route):
        address = address.replace(f"<uuid:{part}>", str(values[part])).replace(
            f"<str:{part}>", str(values[part])
        )
    path = address.removeprefix("api/v1/")
    return client.read(path) if PROBES[name] == "GET" else client.send(path, BODIES.get(name))


@pytest.mark.parametrize("name", sorted(PROBES))
def test_a_rivals_id_is_answered_as_an_absent_one_and_changes_nothing(north, south, name):
    theirs = live(south)
    absent = {part: uuid4() for part in theirs}
    before = everything(south)
    owner = signed_in(north)

    foreign, nowhere = ask(owner, name, theirs), ask(owner, name, absent)

    assert foreign.status_code == nowhere.status_code == 404
    bodies = [{**answer.json(), "instance": ""} for answer in (foreign, nowhere)]
    assert bodies[0] == bodies[1]
    assert everything(south) == before
    # The probe would find something: to the rival itself it does.
    assert ask(signed_in(south), name, theirs).status_code in {200, 201, 204}


def test_no_list_shows_anything_of_a_rivals(north, south):
    live(south)
    tags = {str(south.operator.id), south.operator.slug, *(unit.code for unit in south.units)}

    seen = str(everything(north))

    assert set(everything(south)) == set(LISTS)
    assert all(everything(south).values())
    assert not [tag for tag in tags if tag in seen]
    assert everything(north)["service-events"] == []


@pytest.mark.parametrize(
    ("path", "filter_name", "part"),
    [
        ("sites", "customer", "customer_id"),
        ("sites", "crew", "crew_id"),
        ("service-agreements", "site", "site_id"),
        ("devices", "crew", "crew_id"),
        ("restrooms", "site", "site_id"),
        ("stations", "site", "site_id"),
        ("units", "site", "site_id"),
        ("units", "crew", "crew_id"),
        ("service-events", "subject", "unit_id"),
        ("service-events", "visit", "visit_id"),
        ("visits", "site", "site_id"),
        ("visits", "crew", "crew_id"),
        ("reports", "site", "site_id"),
        ("findings", "subject", "unit_id"),
        ("alerts", "site", "site_id"),
        ("alerts", "unit", "unit_id"),
        ("invoices", "customer", "customer_id"),
        ("charges", "site", "site_id"),
        ("charges", "event", "event_id"),
    ],
)
def test_a_rivals_id_in_a_filter_finds_nothing(north, south, path, filter_name, part):
    theirs = live(south)
    live(north)

    answer = signed_in(north).read(path, **{filter_name: theirs[part]})

    assert answer.json() == {"results": [], "next": None}


def test_a_rivals_cursor_shows_ones_own_rows_only(north, south):
    live(south)
    live(north)
    cursor = phone_of(south).read("units", limit=1).json()["next"]

    answer = phone_of(north).read("units", after=cursor)

    assert {unit["id"] for unit in answer.json()["results"]} <= {str(unit.id) for unit in north.units}
