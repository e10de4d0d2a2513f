"""People with a session confirm who they are before keys, closes and exports at the API too; programs and phones never do."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from accounts.permissions import Role
from tests.api.callers import Api, api_routes, filled, phone_of, program_of, signed_in, view_of
from tests.cast import Cast

API = "api/v1/"
# As the pages of the same acts.
ASKED = {
    ("accounting/export.csv", "GET"): "an export",
    ("devices", "POST"): "a key",
    ("invoices/<str:number>/credit", "POST"): "can't be undone",
    ("journal.csv", "GET"): "an export",
    ("legal-entities", "POST"): "says where invoices are to be paid to",
    ("month-closes", "POST"): "can't be undone",
    ("royalty-statements", "POST"): "can't be undone",
    ("webhook-endpoints", "POST"): "a key, and where everything is told to",
    ("webhook-endpoints/<uuid:endpoint_id>", "DELETE"): "ends it for good",
    ("webhook-endpoints/<uuid:endpoint_id>", "PUT"): "where everything is told to",
    ("webhook-endpoints/<uuid:endpoint_id>/rotate", "POST"): "a key",
}


def doors() -> dict[tuple[str, str], str]:
    """Each door that asks: its route and the method, and an address of it."""
    return {
        (address.removeprefix(API), method): "/" + filled(address, route, str(uuid4()))
        for address, route in api_routes()
        for method in getattr(view_of(route), "recent", ())
    }


def ask(client: Api, method: str, address: str) -> Any:
    return client.generic(method, address, "{}" if method != "GET" else "", "application/json")


def is_asked(answer: Any) -> bool:
    return answer.status_code == 403 and answer.json()["type"].endswith("/problems/confirm-yourself")


def test_the_doors_that_ask_are_these_and_each_of_them_has_the_method() -> None:
    assert set(doors()) == set(ASKED)
    views = {address.removeprefix(API): view_of(route) for address, route in api_routes()}
    assert all(method in views[address].permissions for address, method in ASKED)


def test_a_person_is_asked_after_twenty_minutes_and_a_program_or_phone_never(north: Cast, later: Any) -> None:
    owner = signed_in(north)
    later(minutes=20)
    assert [door for door, address in doors().items() if is_asked(ask(owner, door[1], address))] == []
    later(seconds=1)
    assert [door for door, address in doors().items() if not is_asked(ask(owner, door[1], address))] == []
    program, phone = program_of(north), phone_of(north)
    for client in (program, phone):
        assert [door for door, address in doors().items() if is_asked(ask(client, door[1], address))] == []


def test_what_is_refused_is_not_done_and_is_done_after_another_sign_in(north: Cast, later: Any) -> None:
    owner = signed_in(north)
    later(minutes=25)
    phones = len(owner.get("/api/v1/devices").json()["results"])
    sent = {"crew": str(north.crew.id), "label": "Another phone"}
    refused = owner.post("/api/v1/devices", sent, content_type="application/json")
    assert is_asked(refused)
    assert "sign in again" in refused.json()["detail"]
    assert len(owner.get("/api/v1/devices").json()["results"]) == phones
    assert signed_in(north).post("/api/v1/devices", sent, content_type="application/json").status_code == 201


@pytest.mark.parametrize("role", [Role.VIEWER, Role.CREW_MEMBER])
def test_who_may_not_is_told_so_and_not_to_confirm(north: Cast, later: Any, role: Role) -> None:
    person = signed_in(north, role)
    later(minutes=30)
    refused = person.post("/api/v1/month-closes", {"month": "2026-05"})
    assert (refused.status_code, is_asked(refused)) == (403, False)
