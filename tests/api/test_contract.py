"""What a client's author relies on in the description: OpenAPI 3.1 throughout, names, scopes, webhooks, problem types."""

from __future__ import annotations

import json
import keyword
import re
from datetime import UTC, datetime
from uuid import uuid4

import pytest

from accounts.permissions import PROGRAM_SCOPES, Permission
from billing.rules.webhooks import messages
from config.problems import PROBLEM_TYPES
from config.schema.naming import TAGS, name_of
from config.schema.view import document
from config.schema.words import is_general
from tests.api.callers import Api, api_routes, view_of
from tests.api.test_schema import judge_of

AT = datetime(2026, 6, 15, 12, tzinfo=UTC)


def operations():
    return [one for item in document()["paths"].values() for one in item.values()]


def nodes(node):
    if isinstance(node, dict):
        yield node
        for inner in node.values():
            yield from nodes(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from nodes(inner)


# OpenAPI 3.1


def test_nothing_of_openapi_3_0_is_left_that_3_1_would_pass_over():
    # OpenAPI 3.1 takes its schemas from JSON Schema 2020-12: `nullable` is gone, exclusive bounds are numbers.
    schemas = [node for node in nodes(document()) if "example" not in node]

    assert document()["openapi"].startswith("3.1")
    assert [node for node in schemas if "nullable" in node] == []
    assert [node for node in schemas if isinstance(node.get("exclusiveMinimum"), bool)] == []


def test_the_last_page_of_a_list_says_null():
    pages = {
        name: schema["properties"]["next"]["type"]
        for name, schema in document()["components"]["schemas"].items()
        if name.endswith("Page")
    }

    assert len(pages) > 40
    assert set(map(tuple, pages.values())) == {("string", "null")}


def test_money_is_a_text_and_no_number_has_a_fraction():
    numbers = [node for node in nodes(document()["components"]["schemas"]) if node.get("type") == "number"]

    assert all(node.get("format") != "decimal" for node in numbers)


def test_the_document_is_kept_by_its_tag(database):
    first = Api().get("/api/v1/schema")
    again = Api().get("/api/v1/schema", headers={"If-None-Match": first.headers["ETag"]})

    assert (first.status_code, again.status_code, again.content) == (200, 304, b"")
    assert "public" in first.headers["Cache-Control"]


# Names and words


def test_operations_are_called_as_methods_are():
    names = [one["operationId"] for one in operations()]

    assert len(names) == len(set(names))
    assert [name for name in names if not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)+", name)] == []
    assert [name for name in names if keyword.iskeyword(name)] == []


@pytest.mark.parametrize(
    ("method", "path", "rows", "name"),
    [
        ("GET", "payments", True, "list_payments"),
        ("GET", "payments/{payment_id}", False, "get_payment"),
        ("POST", "payments", False, "record_payments"),
        ("POST", "alerts/{alert_id}/acknowledge", False, "acknowledge_alert"),
        ("GET", "contracts/{contract_number}/sites", True, "list_contract_sites"),
        ("POST", "contracts/{contract_number}/sites/{site_id}/end", False, "end_contract_site"),
        ("PUT", "accounting/external-ids/{system}/{kind}/{object_id}", False, "set_external_id"),
    ],
)
def test_a_name_says_what_is_done_to_what(method, path, rows, name):
    assert name_of(method, path, rows=rows) == name


def test_every_operation_is_in_a_group_and_says_what_it_does():
    for one in operations():
        assert one["tags"][0] in TAGS
        assert one["summary"]
        assert not is_general(one["description"])
        assert one["description"].endswith((".", ":"))


# Scopes


def test_each_operation_names_the_scope_that_its_door_asks_for():
    wanted = {}
    for address, route in api_routes():
        if route.name == "api-schema":
            continue
        path = "/" + re.sub(r"<\w+:(\w+)>", r"{\1}", address)
        for method, permission in view_of(route).permissions.items():
            wanted[path, method.lower()] = [str(permission)] if permission in PROGRAM_SCOPES else []
    said = {
        (path, method): [scope for way in one["security"] for scope in way.get("program", [])]
        for path, item in document()["paths"].items()
        for method, one in item.items()
    }

    assert said == wanted


def test_the_scopes_are_those_that_a_program_may_have():
    flows = document()["components"]["securitySchemes"]["program"]["flows"]

    assert set(flows) == {"clientCredentials"}
    assert set(flows["clientCredentials"]["scopes"]) == {str(scope) for scope in PROGRAM_SCOPES}
    assert Permission.MEMBERS_MANAGE not in PROGRAM_SCOPES


# Problems


def test_every_problem_type_has_an_example_where_it_may_come():
    shown = {}
    for answer in document()["components"]["responses"].values():
        for content in answer.get("content", {}).values():
            shown |= content["examples"]

    assert set(shown) == set(PROBLEM_TYPES)
    validator = judge_of(document(), "components/schemas/Problem")
    assert [code for code, one in shown.items() if list(validator.iter_errors(one["value"]))] == []


def test_conditions_and_age_are_told_only_where_they_are():
    found = {
        status: {one["operationId"] for one in operations() if status in one["responses"]}
        for status in ("304", "410", "412", "428")
    }

    assert found["410"] == {"follow_changes"}
    assert found["412"] == found["428"] >= {"set_customer_billing_profile"}
    assert found["304"] >= {"get_invoice", "get_credit_note", "get_customer", "get_payment", "get_refund"}


# Webhooks


def told():
    """One real message of each kind, by the rules that make them."""
    for kind in ("customer", "invoice", "credit_note", "opening", "journal_entry", "payment", "refund"):
        for gone in (False, True):
            yield messages.change_body(
                at=AT, kind=kind, object_id=uuid4(), version=2, gone=gone, feed_token="AQ", sequence=1
            )
    yield messages.available_body(at=AT, count=240, feed_token="AQ", sequence=2)
    yield messages.probe_body(at=AT, feed_token="AQ", sequence=3)


def test_each_message_is_documented_and_is_what_the_document_says():
    section, seen = document()["webhooks"], set()
    for body in map(json.loads, told()):
        seen.add(body["type"])
        content = section[body["type"]]["post"]["requestBody"]["content"]["application/json"]
        judge = judge_of(document(), content["schema"]["$ref"].removeprefix("#/"))
        assert list(judge.iter_errors(body)) == []
        assert list(judge.iter_errors(content["example"])) == []

    assert seen == set(section)


def test_the_judge_would_find_a_message_that_says_too_much():
    body = json.loads(next(told()))
    judge = judge_of(document(), "components/schemas/ChangeTold")

    assert list(judge.iter_errors({**body, "data": {**body["data"], "total": "1.00"}})) != []
