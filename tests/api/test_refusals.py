"""Every answer "no" is a problem document of the closed list (RFC 9457), and says nothing that it should not."""

from __future__ import annotations

import ast
import base64
import json
from pathlib import Path

import pytest
from django.db import OperationalError
from django.http import Http404
from django.test import Client, RequestFactory
from psycopg import errors as postgres
from rest_framework.exceptions import Throttled

from accounts.errors import Busy, Conflict, NotSignedIn, Refusal
from accounts.permissions import Role
from config.errors import API, MEDIA_TYPE, MOST_BODY, PROBLEM_TYPES, PageRefusals, problem_of, server_error
from tests.api.callers import Api, phone_of, signed_in

# RFC 9457 section 3.1, and the member `errors` of ours.
MEMBERS = {"type", "title", "status", "detail", "instance", "errors"}


def problem(answer, status):
    assert answer.status_code == status
    assert answer.headers["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert set(body) == MEMBERS
    assert body["status"] == status
    assert body["type"].removeprefix("/problems/") in PROBLEM_TYPES
    return body


@pytest.mark.parametrize(
    ("path", "query", "pointer", "code"),
    [
        ("units", {"colour": "red"}, "/colour", "unknown-parameter"),
        ("units", {"format": "xml"}, "/format", "unknown-parameter"),
        ("units", {"site": ["a", "b"]}, "/site", "repeated-parameter"),
        ("units", {"site": "not-an-id"}, "/site", "invalid"),
        ("units", {"status": "broken"}, "/status", "invalid_choice"),
        ("units", {"limit": "201"}, "/limit", "out-of-range"),
        ("units", {"limit": "0"}, "/limit", "out-of-range"),
        ("units", {"limit": "\u0665"}, "/limit", "out-of-range"),
        ("units", {"after": "nonsense"}, "/after", "unreadable"),
        ("units", {"code": "a\x00b"}, "/code", "null_characters_not_allowed"),
        ("visits", {"day_from": "31.12.2026"}, "/day_from", "invalid"),
        ("service-events", {"type": "unit.repainted"}, "/type", "invalid_choice"),
        ("service-events", {"occurred_from": "noon"}, "/occurred_from", "invalid"),
        ("service-events", {"after": "-1"}, "/after", "unreadable"),
        ("service-events", {"after": "1"}, "/after", "beyond-the-log"),
        ("service-events", {"after": str(10**30)}, "/after", "beyond-the-log"),
        ("service-events", {"wait": "5"}, "/after", "not-a-position"),
        ("service-events", {"after": "0", "wait": "26"}, "/wait", "out-of-range"),
        ("service-events", {"after": "0", "wait": "-1"}, "/wait", "out-of-range"),
        ("operator", {"limit": "1"}, "/limit", "unknown-parameter"),
    ],
)
def test_a_query_that_is_not_understood_is_refused_with_a_pointer(north, path, query, pointer, code):
    body = problem(signed_in(north).read(path, **query), 400)

    assert [(error["pointer"], error["code"]) for error in body["errors"]] == [(pointer, code)]


def cursor(value):
    return base64.urlsafe_b64encode(json.dumps(value).encode()).decode().rstrip("=")


@pytest.mark.parametrize(
    "after",
    [
        cursor([]),
        cursor(["a", "b", "c", "d"]),
        cursor([1, 2, 3]),
        cursor({"a": 1}),
        cursor(["2026-06-15", "2026-06-15T12:00:00", "not-an-id"]),
        cursor(["2026-06-15", "2026-06-15T12:00:00", "00000000-0000-0000-0000-000000000000"]),
        cursor(["2026-06-15", "\x00", "00000000-0000-0000-0000-000000000000"]),
        cursor("[" * 300),
        "A" * 601,
        "A",
        "-_",
        "\xe4",
    ],
)
def test_a_made_up_cursor_is_refused(north, after):
    body = problem(signed_in(north).read("visits", after=after), 400)

    assert body["errors"][0]["pointer"] == "/after"


def test_a_cursor_beyond_any_number_of_the_database_finds_nothing(north):
    assert phone_of(north).read("service-events", after=cursor([str(10**30)])).json()["results"] == []


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("devices", {"crew": "x", "label": "L"}, "/crew"),
        ("devices", {"crew": "00000000-0000-0000-0000-000000000000"}, "/label"),
        ("devices", {"crew": "00000000-0000-0000-0000-000000000000", "label": "a\x00"}, "/label"),
        (
            "devices",
            {"crew": "00000000-0000-0000-0000-000000000000", "label": "L", "kind": "office"},
            "/kind",
        ),
        (
            "devices",
            {"crew": "00000000-0000-0000-0000-000000000000", "label": "L", "operator": "x"},
            "/operator",
        ),
        ("devices", {"a/b~c": 1}, "/a~1b~0c"),
        ("month-closes", {"month": "2026-13-01"}, "/month"),
        ("month-closes", {"month": "2026-05-01", "id": 7}, "/id"),
        ("month-closes", [], ""),
    ],
)
def test_a_body_that_is_not_understood_is_refused_with_a_pointer(north, path, body, pointer):
    answer = problem(signed_in(north).send(path, body), 400)

    assert pointer in [error["pointer"] for error in answer["errors"]]


def test_a_method_that_an_address_does_not_know_gets_405_and_the_ones_it_does(north):
    client = signed_in(north)

    for method in ("put", "patch", "delete", "options", "trace"):
        answer = getattr(client, method)("/api/v1/visits")
        problem(answer, 405)
        assert answer.headers["Allow"] == "GET, HEAD"
    problem(client.get(f"/api/v1/devices/{north.phone.id}/revoke"), 405)


def test_only_json_is_answered(north):
    answer = signed_in(north).get("/api/v1/units", headers={"accept": "text/html"})

    problem(answer, 406)


@pytest.mark.parametrize("path", ["/api/v1/nothing", "/api/v1/units/7", "/api/", "/api/v2/units"])
def test_an_address_of_the_api_that_does_not_exist_is_a_problem_too(north, path):
    problem(signed_in(north).get(path), 404)


def test_a_busy_operator_is_asked_to_wait(north):
    answer = problem_of(Busy("Somebody else.", retry_after_seconds=7), "/api/v1/x")
    waited = OperationalError("lock")
    waited.__cause__ = postgres.LockNotAvailable()

    assert (answer.status_code, answer["Retry-After"]) == (503, "7")
    assert problem_of(waited, "/api/v1/x").status_code == 503
    assert problem_of(Throttled(wait=2.4), "/api/v1/x")["Retry-After"] == "3"


def test_an_unforeseen_fault_tells_nothing_of_itself(caplog):
    answer = problem_of(RuntimeError("password=hunter2 SELECT * FROM secrets"), "/api/v1/x")

    assert answer.status_code == 500
    assert b"hunter2" not in answer.content
    assert b"SELECT" not in answer.content
    assert "hunter2" in caplog.text


def test_a_reason_outside_the_list_keeps_the_type_of_its_kind():
    body = json.loads(problem_of(Conflict("No.", code="very-special"), "/api/v1/x").content)

    assert body["type"] == "/problems/conflict"


def test_every_kind_of_refusal_stands_on_the_list_with_its_status():
    kinds = Refusal.__subclasses__()

    assert {kind.code: kind.status for kind in kinds} == {
        kind.code: PROBLEM_TYPES[kind.code].status for kind in kinds
    }


def test_every_refusal_with_a_code_of_its_own_in_the_doors_is_on_the_list():
    root = Path(__file__).resolve().parents[2]
    sources = [root / name for name in ("accounts/authentication.py", "config/parsing.py")]
    codes = {
        keyword.value.value
        for source in sources
        for call in ast.walk(ast.parse(source.read_text()))
        if isinstance(call, ast.Call)
        for keyword in call.keywords
        if keyword.arg == "code" and isinstance(keyword.value, ast.Constant)
    }

    assert codes == {"operator-missing", "malformed-json", "confirm-yourself"}
    assert codes <= set(PROBLEM_TYPES)


def test_each_type_of_the_list_has_a_page_that_says_what_it_means(database):
    client = Api()

    for code, kind in PROBLEM_TYPES.items():
        page = client.get(f"/problems/{code}")
        assert page.status_code == 200
        assert page.headers["Content-Type"].startswith("text/plain")
        assert kind.meaning in page.content.decode()
    assert all(code in client.get("/problems").content.decode() for code in PROBLEM_TYPES)


def test_answers_are_not_kept_by_anybody_in_between(north):
    client = signed_in(north, Role.VIEWER)

    assert client.read("units").headers["Cache-Control"] == "no-store"
    assert client.read("month-closes", odd=1).headers["Cache-Control"] == "no-store"


def test_a_page_that_needs_a_sign_in_leads_to_it_and_the_api_gets_no_page():
    middleware, pages = PageRefusals(lambda request: None), RequestFactory()

    redirect = middleware.process_exception(pages.get("/north/sites/?page=2"), NotSignedIn("Sign in."))

    assert redirect.status_code == 302
    assert redirect["Location"] == "/sign-in/?next=/north/sites/%3Fpage%3D2"
    assert middleware.process_exception(pages.get("/api/v1/units"), Http404())["Content-Type"] == MEDIA_TYPE
    assert middleware.process_exception(pages.get("/north/"), RuntimeError()) is None


@pytest.mark.parametrize(
    ("path", "kind"),
    [("/sign-in/", "text/html"), ("/r/none/x/report", "text/html"), (f"{API}v1/units", MEDIA_TYPE)],
)
def test_a_body_larger_than_all_that_is_taken_is_refused_unread(north, path, kind):
    answer = Client().generic(
        "POST", path, b"x", "multipart/form-data; boundary=x", secure=True, CONTENT_LENGTH=str(MOST_BODY + 1)
    )

    assert answer.status_code == 413
    assert answer.headers["Content-Type"].startswith(kind)


@pytest.mark.parametrize("rest", ["search?for=%00", "sites/%00", "units/%00", "?crew=%00"])
def test_a_character_that_no_text_here_has_is_a_bad_request(north, rest):
    assert signed_in(north).get(f"/{north.operator.slug}/{rest}").status_code == 400


def test_nor_does_anybody_sign_in_by_it(north):
    sent = {"email": "a\x00@b.example", "password": "x"}
    assert Client().post("/sign-in/", sent, secure=True).status_code == 400


def test_a_refusal_of_a_page_is_a_page_with_its_status(north):
    answer = signed_in(north).get("/nobody-at-all/")

    assert answer.status_code == 404
    assert answer.headers["Content-Type"].startswith("text/html")
    assert b"not a member" in answer.content


def test_an_address_that_does_not_exist_is_a_page_outside_the_api(north):
    answer = signed_in(north).get("/a/b/c/d/e")

    assert answer.status_code == 404
    assert answer.headers["Content-Type"].startswith("text/html")


def test_a_fault_tells_nothing_of_itself_on_either_side(north):
    ask = RequestFactory()

    assert json.loads(server_error(ask.get("/api/v1/units")).content)["type"] == "/problems/internal-error"
    page = server_error(ask.get("/north/"))
    assert (page.status_code, page["Content-Type"]) == (500, "text/plain; charset=utf-8")


def test_a_host_that_is_not_ours_is_refused_in_the_same_form(north):
    answer = Api(headers={"host": "elsewhere.example"}).read("units")

    problem(answer, 400)


def test_only_the_headers_of_a_list_can_be_asked_for(north):
    answer = signed_in(north).head("/api/v1/units")

    assert (answer.status_code, answer.content) == (200, b"")
