"""Who gets in: tokens and sessions, valid, wrong, old and another's."""

from __future__ import annotations

from datetime import timedelta

import pytest

from accounts import clock
from accounts.commands import operators
from accounts.permissions import Role
from tests.api.callers import ROOT, Api, api_routes, bearer, filled, phone_of, signed_in


def problem(answer, status, code):
    assert answer.status_code == status
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["type"] == f"/problems/{code}"
    return answer.json()


def test_a_phones_token_acts_for_its_operator(north, south):
    assert phone_of(north).read("operator").json()["slug"] == north.operator.slug
    assert phone_of(south).read("operator").json()["slug"] == south.operator.slug


@pytest.mark.parametrize(
    "header",
    ["Bearer wr_unknown", "Bearer", "Bearer a b", "Basic bm9ydGg6c291dGg=", "wr_bare", "Bearer \xff\xfe"],
)
def test_any_other_authorization_gets_401_with_a_challenge(north, header):
    answer = Api(headers={"authorization": header}).read("operator")

    problem(answer, 401, "not-signed-in")
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_a_bad_token_is_not_made_good_by_a_session(north):
    client = signed_in(north)

    problem(
        client.get(ROOT + "operator", headers={"authorization": "Bearer wr_unknown"}), 401, "not-signed-in"
    )


def test_an_expired_token_gets_401(north, later):
    _, token = operators.register_device(
        actor=north.owner,
        crew_id=north.crew.id,
        label="Lent",
        expires_at=clock.now() + timedelta(hours=1),
    )
    assert bearer(token).read("operator").status_code == 200

    later(hours=1)

    problem(bearer(token).read("operator"), 401, "not-signed-in")


def test_a_revoked_phone_sends_nothing_more_and_what_it_sent_stays(north):
    phone, office = phone_of(north), signed_in(north, Role.DISPATCHER)
    kept, refused = north.installed(), north.exchanged()
    phone.send("service-events", [kept])

    revoked = office.send(f"devices/{north.phone.id}/revoke")

    assert revoked.json()["revoked_at"] is not None
    problem(phone.send("service-events", [refused]), 401, "not-signed-in")
    assert office.read(f"service-events/{kept['id']}").status_code == 200
    assert office.read(f"service-events/{refused['id']}").status_code == 404


def test_registering_a_phone_shows_its_token_once(north):
    office = signed_in(north, Role.DISPATCHER)

    made = office.send("devices", {"crew": str(north.crew.id), "label": "Second phone"})

    assert made.status_code == 201
    token = made.json()["token"]
    assert bearer(token).read("operator").status_code == 200
    listed = office.read("devices")
    assert token not in listed.content.decode()
    assert "Second phone" in {device["label"] for device in listed.json()["results"]}


def test_a_phone_for_a_rivals_crew_is_not_registered(north, south):
    answer = signed_in(north).send("devices", {"crew": str(south.crew.id), "label": "Odd"})

    problem(answer, 404, "not-found")


def test_a_session_names_its_operator(north, south):
    client = signed_in(north)

    nameless = Api()
    nameless.force_login(north.users[Role.OWNER])
    problem(nameless.read("operator"), 400, "operator-missing")
    foreign = {"wickround-operator": south.operator.slug}
    absent = {"wickround-operator": "nobody-at-all"}
    assert client.read("operator").status_code == 200
    theirs = problem(client.get(ROOT + "operator", headers=foreign), 404, "not-found")
    assert theirs == problem(client.get(ROOT + "operator", headers=absent), 404, "not-found")


def test_a_session_needs_the_csrf_token_to_change_something(north):
    client = signed_in(north, enforce_csrf_checks=True)
    body = {"crew": str(north.crew.id), "label": "Phone"}

    problem(client.send("devices", body), 403, "forbidden")
    assert client.read("operator").status_code == 200


def test_a_role_taken_away_ends_with_the_next_request(north):
    client = signed_in(north, Role.DISPATCHER)
    assert client.read("devices").status_code == 200

    with north.reading():
        member = operators.queries.members().get(id=north.actors[Role.DISPATCHER].id)
    member.role, member.is_active = Role.VIEWER, False
    with operators.tenancy.writing(north.owner):
        member.save(update_fields=["role", "is_active"])

    problem(client.read("devices"), 404, "not-found")


def test_without_a_credential_every_route_but_the_schema_answers_401(database):
    unknown = "00000000-0000-0000-0000-000000000000"
    answers = {}
    for address, route in api_routes():
        path = "/" + filled(address, route, unknown)
        for method in ("get", "post"):
            answers[method, address] = getattr(Api(), method)(path).status_code

    assert {key for key, status in answers.items() if status != 401} == {
        ("get", "api/v1/schema"),
        ("post", "api/v1/schema"),
    }
    assert answers["get", "api/v1/schema"] == 200
    assert answers["post", "api/v1/schema"] == 405
