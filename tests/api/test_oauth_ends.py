"""When a program's token ends: by itself, with its secret or program, or given back (RFC 7009); and the metadata (RFC 8414)."""

from __future__ import annotations

import io
import json

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import get_resolver

from accounts import queries
from accounts.commands import clients
from accounts.permissions import PROGRAM_SCOPES
from tests.api.callers import (
    Api,
    bearer,
    phone_of,
    program_of,
    signed_in,
    token_for,
)
from tests.api.signing_in import GRANT, REVOKE, SCOPES, TOKEN, ask, credentials, error, token_of


@pytest.fixture
def program(north):
    """A client of ``north`` and its secret."""
    return clients.make_client(actor=north.owner, name="Ledger", scopes=SCOPES)


def test_a_token_ends_after_a_quarter_of_an_hour(program, later):
    caller = bearer(token_of(ask(GRANT | credentials(program))))

    later(minutes=14, seconds=59)
    assert caller.read("invoices").status_code == 200
    later(seconds=1)
    ended = caller.read("invoices")

    assert (ended.status_code, ended.json()["type"].endswith("/problems/not-signed-in")) == (401, True)
    assert ended.headers["WWW-Authenticate"].startswith("Bearer")


def test_a_revoked_program_is_out_with_its_next_request(north, program):
    caller = bearer(token_of(ask(GRANT | credentials(program))))
    assert caller.read("invoices").status_code == 200

    clients.revoke_client(actor=north.owner, client_uuid=program[0].uuid)

    assert caller.read("invoices").status_code == 401


def test_tokens_of_an_ended_secret_are_out_and_those_of_the_other_stay(north, program):
    client, first = program
    _, second = clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="week")
    callers = [bearer(token_for(client.client_id, secret)) for secret in (first, second)]
    with north.reading():
        older = queries.secrets_of(client).get(hint=first[-4:])

    clients.end_secret(actor=north.owner, client_uuid=client.uuid, secret_id=older.id)

    assert [caller.read("invoices").status_code for caller in callers] == [401, 200]


def test_a_program_gives_its_token_back(north, south, program):
    """RFC 7009 section 2: 200 for its own token, for another's and for none; only its own ends."""
    token, others = token_of(ask(GRANT | credentials(program))), south.phone_token
    rival, rival_secret = clients.make_client(actor=south.owner, name="Ledger", scopes=SCOPES)
    theirs = token_for(rival.client_id, rival_secret)
    neighbour, neighbour_secret = clients.make_client(actor=north.owner, name="Other", scopes=SCOPES)
    same_house = token_for(neighbour.client_id, neighbour_secret)

    for one in (theirs, same_house, others, north.phone_token, "wp_unknown", "x\x00y", "ü", token):
        for hint in ("", "access_token", "of some other kind"):
            given = ask({"token": one, "token_type_hint": hint} | credentials(program), at=REVOKE)
            assert (given.status_code, given.content) == (200, b"")
            assert given.headers["Cache-Control"] == "no-store"

    assert bearer(token).read("invoices").status_code == 401
    assert bearer(theirs).read("invoices").status_code == 200
    assert bearer(same_house).read("invoices").status_code == 200
    assert phone_of(north).read("operator").status_code == phone_of(south).read("operator").status_code == 200


def test_nobody_revokes_without_credentials(north, program):
    token = token_of(ask(GRANT | credentials(program)))

    error(ask({"token": token}, at=REVOKE), 401, "invalid_client")
    error(
        ask({"token": token, "client_id": program[0].client_id}, at=REVOKE, headers={}), 401, "invalid_client"
    )
    error(
        ask({"token": token}, at=REVOKE, headers={"authorization": f"Bearer {token}"}), 401, "invalid_client"
    )
    error(ask(credentials(program), at=REVOKE), 400, "invalid_request")
    # RFC 7009 section 2.2.1: there are no refresh tokens here.
    refresh = {"token": token, "token_type_hint": "refresh_token"} | credentials(program)
    error(ask(refresh, at=REVOKE), 400, "unsupported_token_type")
    assert bearer(token).read("invoices").status_code == 200


def test_a_secret_is_no_token_and_a_token_no_secret(program):
    client, secret = program
    token = token_of(ask(GRANT | credentials(program)))

    assert bearer(secret).read("invoices").status_code == 401
    assert bearer(client.client_id).read("invoices").status_code == 401
    error(ask(GRANT | {"client_id": client.client_id, "client_secret": token}), 401, "invalid_client")
    for changed in (token.removeprefix("wp_"), "wr_" + token.removeprefix("wp_"), token + "A", token[:-1]):
        assert bearer(changed).read("invoices").status_code == 401
    # RFC 9700 section 4.3.2: a token in the address is no credential.
    assert Api().read("invoices", access_token=token).status_code == 401


def test_a_program_acts_for_its_own_operator(north, south):
    program = program_of(north)

    assert program.read("operator").json()["slug"] == north.operator.slug
    named = program.get("/api/v1/operator", headers={"wickround-operator": south.operator.slug})
    assert named.json()["slug"] == north.operator.slug


def test_a_call_notes_its_use_once_a_minute_at_most(north, program, later):
    caller = bearer(token_of(ask(GRANT | credentials(program))))

    def writes():
        with CaptureQueriesContext(connection) as found:
            assert caller.read("invoices").status_code == 200
        return sum("UPDATE" in one["sql"] for one in found)

    assert writes() == 0, "getting the token was a use"
    later(minutes=1)
    assert [writes(), writes()] == [1, 0]


# What is announced


def test_the_metadata_says_where_and_how(database):
    """RFC 8414 section 2: issuer and response types are required, the rest is what there is."""
    answer = Api().get("/.well-known/oauth-authorization-server")

    told = answer.json()
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/json")
    assert told["issuer"] == "https://testserver"
    assert told["token_endpoint"] == "https://testserver" + TOKEN
    assert told["revocation_endpoint"] == "https://testserver" + REVOKE
    assert told["response_types_supported"] == []
    assert told["grant_types_supported"] == ["client_credentials"]
    methods = ["client_secret_basic", "client_secret_post"]
    assert told["token_endpoint_auth_methods_supported"] == methods
    assert told["revocation_endpoint_auth_methods_supported"] == methods
    assert set(told["scopes_supported"]) == {scope.value for scope in PROGRAM_SCOPES}
    assert not told.keys() & {
        "authorization_endpoint",
        "introspection_endpoint",
        "registration_endpoint",
        "jwks_uri",
        "authorization_response_iss_parameter_supported",
    }
    assert json.loads(answer.content) == told
    assert Api().post("/.well-known/oauth-authorization-server").status_code == 405


def test_the_issuer_is_the_public_address_where_one_is_set(database, settings):
    settings.OAUTH2_PROVIDER = settings.OAUTH2_PROVIDER | {"OIDC_ISS_ENDPOINT": "https://drip.example"}

    told = Api().get("/.well-known/oauth-authorization-server").json()

    # RFC 8414 section 3.3: the issuer is the one whose address was asked, and the endpoints are on it.
    assert (told["issuer"], told["token_endpoint"]) == (
        "https://drip.example",
        "https://drip.example/oauth/token",
    )


def test_none_of_the_librarys_other_pages_is_routed(north):
    _, (_, routed) = next(iter(get_resolver().namespace_dict.items()))

    names = {name for name in routed.reverse_dict if isinstance(name, str)}
    assert names == {"token", "revoke-token", "oauth-server-metadata"}
    owner = signed_in(north)
    for path in ("authorize/", "applications/", "introspect/", "register/", "device/", "userinfo/", "token/"):
        assert owner.get(f"/oauth/{path}").status_code == 404


def test_the_checks_of_a_deployment_find_nothing_against_the_best_practice(database):
    """RFC 9700, as the library's own checks read it."""
    said = io.StringIO()
    call_command("check", deploy=True, tags=["security"], stdout=said, stderr=said)

    assert "oauth2_provider" not in said.getvalue()
