"""The pages that problem documents name their types by: each type has one, for people and for programs alike."""

from __future__ import annotations

import json

import pytest
from django.test import override_settings
from jsonschema import Draft202012Validator

from accounts.errors import Conflict, Gone
from config.errors import problem_of
from config.problems import PROBLEM_TYPES, example_of
from config.schema.problems import ENTRY, SCHEMA
from tests.api.callers import Api, bearer

PAGE = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"  # as browsers ask


def read(path, accept=None, **headers):
    return Api().get(path, headers={**({"accept": accept} if accept else {}), **headers})


@pytest.fixture(scope="module")
def judge():
    """The problem document's own schema: RFC 9457 section 3.1, and the member errors of ours."""
    return Draft202012Validator(
        {**SCHEMA, "components": {"schemas": {"ProblemEntry": ENTRY}}, "additionalProperties": False}
    )


@pytest.mark.parametrize("code", PROBLEM_TYPES)
def test_each_type_has_a_page_with_meaning_remedy_and_example(database, code):
    kind = PROBLEM_TYPES[code]
    answer = read(f"/problems/{code}", PAGE)
    body = answer.content.decode()

    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    assert "Accept" in answer.headers["Vary"]
    for words in (kind.title, kind.meaning, kind.remedy):
        assert words.replace("'", "&#x27;") in body
    assert f"HTTP/1.1 {kind.status} " in body
    assert f"/problems/{code}&quot;" in body


@pytest.mark.parametrize("accept", ["application/json", "application/problem+json"])
def test_a_program_gets_the_same_as_json(database, judge, accept):
    (every,) = read("/problems", accept).json().values()

    assert {one["code"]: one["status"] for one in every} == {
        code: kind.status for code, kind in PROBLEM_TYPES.items()
    }
    for one in every:
        answer = read(f"/problems/{one['code']}", accept)
        assert answer.headers["Content-Type"] == "application/json"
        assert answer.json() == one
        assert one["type"] == f"/problems/{one['code']}"
        judge.validate(one["example"]["body"])


@pytest.mark.parametrize("accept", [None, "*/*", "text/plain", "image/png"])
def test_whoever_asks_for_nothing_of_that_gets_plain_text(database, accept):
    answer = read("/problems/busy", accept)

    assert answer.headers["Content-Type"] == "text/plain; charset=utf-8"
    assert answer.content.decode().startswith("busy (503)\n")
    assert all(code in read("/problems", accept).content.decode() for code in PROBLEM_TYPES)


def test_the_list_leads_to_each_type(database):
    body = read("/problems", PAGE).content.decode()

    assert all(f'href="/problems/{code}"' in body for code in PROBLEM_TYPES)


def test_a_type_that_is_none_has_no_page(database):
    assert read("/problems/quite-another", PAGE).status_code == 404
    assert Api().post("/problems/busy").status_code == 405


def test_the_example_of_a_type_has_the_form_and_the_headers_of_a_real_one(database):
    real = bearer("wr_nobody").read("units")
    shown = read("/problems/not-signed-in", "application/json").json()["example"]

    assert shown["body"].keys() == real.json().keys()
    assert {name: shown["body"][name] for name in ("type", "title", "status")} == {
        name: real.json()[name] for name in ("type", "title", "status")
    }
    assert shown["headers"]["WWW-Authenticate"] == real.headers["WWW-Authenticate"]
    assert shown["headers"]["Content-Type"] == real.headers["Content-Type"]


def test_a_type_is_a_whole_address_where_the_server_knows_its_own(database):
    with override_settings(PUBLIC_URL="https://drip.example"):
        body = json.loads(problem_of(Conflict("No."), "/api/v1/x").content)
        assert body["type"] == "https://drip.example/problems/conflict"
        assert example_of("busy")["type"] == "https://drip.example/problems/busy"

    path = body["type"].removeprefix("https://drip.example")
    assert read(path).content.decode().startswith("conflict (409)")


def test_a_page_speaks_the_language_of_its_reader(database):
    page = read("/problems/busy", PAGE, **{"accept-language": "de"})

    assert page.headers["Content-Language"] == "de"
    assert 'lang="de' in page.content.decode()


def test_what_is_gone_says_where_to_begin_again():
    start = "/api/v1/accounting/changes"
    answer = problem_of(Gone("Read anew.", code="feed-token-expired", start=start), start)
    plain = problem_of(Gone("Removed."), "/api/v1/x")

    # RFC 8288 section 3; `start` is a registered relation.
    assert (answer.status_code, answer["Link"]) == (410, f'<{start}>; rel="start"')
    assert json.loads(answer.content)["type"] == "/problems/feed-token-expired"
    assert (plain.status_code, "Link" in plain) == (410, False)
    assert json.loads(plain.content)["type"] == "/problems/gone"
