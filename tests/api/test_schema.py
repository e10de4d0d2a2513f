"""The OpenAPI document against two outside judges: openapi-spec-validator (the OpenAPI Initiative's 3.1 schema) and
jsonschema (JSON Schema 2020-12), which reads real answers by it."""

from __future__ import annotations

import io
import re

import pytest
from django.core.management import call_command
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from tests.api.callers import Api, api_routes, phone_of, signed_in, view_of

# Addresses whose answer is a file, by its media type: what is in it is no business of a JSON schema.
FILES = {
    "/api/v1/accounting/export.csv": "text/csv",
    "/api/v1/imports/{import_id}/left-out": "text/csv",
    "/api/v1/journal.csv": "text/csv",
    "/api/v1/photos/{photo_id}": "image/jpeg",
}
# What an address can't be asked without.
QUERIES = {"/api/v1/month-checklist": {"month": "2026-05-01"}}


@pytest.fixture(scope="module")
def schema(database):
    return Api().get("/api/v1/schema").json()


def test_the_document_is_valid_and_made_without_a_warning(database):
    out = io.StringIO()

    call_command("spectacular", "--validate", "--fail-on-warn", "--format", "openapi-json", stdout=out)

    assert '"openapi": "3.1' in out.getvalue()


def test_the_outside_validator_finds_nothing(schema):
    validate(schema, cls=OpenAPIV31SpecValidator)


def test_each_route_and_method_is_documented_and_no_other(schema):
    routes = {
        ("/" + re.sub(r"<\w+:(\w+)>", r"{\1}", address), method.lower())
        for address, route in api_routes()
        if route.name != "api-schema"
        for method in view_of(route).permissions
    }

    assert {(path, method) for path, item in schema["paths"].items() for method in item} == routes


def test_each_operation_has_an_answer_its_problems_and_a_credential(schema):
    operations = [(path, one) for path, item in schema["paths"].items() for one in item.values()]

    for path, operation in operations:
        good = [code for code in operation["responses"] if code.startswith("2")]
        # What a worker may do, too, is done or owed.
        assert len(good) == 1 or good == ["201", "202"]
        for code in good:
            assert code == "204" or operation["responses"][code]["content"][media_of(path)]["schema"]
        assert {"400", "401", "403", "404", "503"} <= set(operation["responses"])
        assert operation["security"][-1] == {"session": [], "operator": []}


def media_of(path):
    return FILES.get(path, "application/json")


def judge(schema, path, method, status, media="application/json"):
    """A validator for an answer, in which an object has no member that is not documented."""
    parts = ("paths", path, method, "responses", status, "content", media, "schema")
    return judge_of(schema, "/".join(escaped(part) for part in parts))


def judge_of(schema, pointer):
    """A JSON Schema 2020-12 validator of what stands at a pointer into the document."""
    registry = Registry().with_resource("urn:api", Resource.from_contents(close(schema), DRAFT202012))
    return Draft202012Validator({"$ref": f"urn:api#/{pointer}"}, registry=registry)


def escaped(part):
    return part.replace("~", "~0").replace("/", "~1")


def close(node):
    if isinstance(node, dict):
        inner = {name: close(value) for name, value in node.items()}
        is_object = inner.get("type") == "object" and "properties" in inner
        return {**inner, "additionalProperties": False} if is_object else inner
    return [close(value) for value in node] if isinstance(node, list) else node


def test_every_answer_is_what_the_document_says(schema, north, lived):
    owner, judged = signed_in(north), 0
    for path, item in schema["paths"].items():
        address = path.format(**{name: str(value) for name, value in lived.items()})
        for method in {"get"} & set(item):
            answer = getattr(owner, method)(address, QUERIES.get(path))
            assert answer.status_code == 200, address
            assert answer.headers["Content-Type"].startswith(media_of(path))
            if path in FILES:
                continue
            errors = list(judge(schema, path, method, "200").iter_errors(answer.json()))
            assert errors == [], (path, errors[:2])
            judged += 1

    assert judged >= 30


def test_the_answers_to_what_is_written_are_what_the_document_says(schema, north):
    owner = signed_in(north)
    site = {"code": "S9", "name": "Lock", "kind": "office", "zone": "Europe/Berlin"}
    restroom = str(north.stations[0].restroom_id)
    bodies = {
        "customers": [{"code": "C9", "name": "Lock", "country": "DE"}],
        "sites": {**site, "customer": str(north.customer.id)},
        "stations": [{"restroom": restroom, "name": "left", "fixture": "urinal"}],
        "units": {"unit_model": str(north.unit.unit_model_id), "count": 2},
        "reports": {"site": str(north.site.id), "kind": "odour", "who": "Somebody", "said": "It smells"},
        "personal-texts": {"who": "Somebody", "said": "It smells"},
        "service-rules": {"effective_from": "2026-07-01"},
        "price-items": {
            "code": "month",
            "name": "Month",
            "basis": "unit_month",
            "amount": "30",
            "effective_from": "2026-07-01",
        },
        "payments": {"customer": str(north.customer.id), "received_on": "2026-06-10", "amount": "5"},
        "opening-debts": {
            "customer": str(north.customer.id),
            "number": "OLD-2",
            "issued_on": "2026-01-05",
            "amount": "5",
        },
        "number-series": {"kind": "invoice", "next_number": 7},
        "price-items/{code}/prices": {"amount": "31", "effective_from": "2026-08-01"},
    }

    for path, body in bodies.items():
        answer = owner.send(path.format(code="month"), body)
        errors = list(judge(schema, f"/api/v1/{path}", "post", "201").iter_errors(answer.json()))
        assert (answer.status_code, errors) == (201, []), path


def test_the_answers_to_an_upload_and_a_problem_are_what_the_document_says(schema, north):
    path = "/api/v1/service-events"
    fates = phone_of(north).send("service-events", [north.installed(), {"id": 1}]).json()
    problem = phone_of(north).read("service-events", odd=1).json()

    assert list(judge(schema, path, "post", "200").iter_errors(fates)) == []
    refused = schema["paths"][path]["get"]["responses"]["400"]["$ref"].rsplit("/", 1)[-1]
    (media,) = schema["components"]["responses"][refused]["content"]
    assert media == "application/problem+json"
    assert (
        list(
            judge_of(schema, f"components/responses/{refused}/content/{escaped(media)}/schema").iter_errors(
                problem
            )
        )
        == []
    )


def test_the_judge_would_find_an_undocumented_member(schema):
    errors = list(
        judge(schema, "/api/v1/crews", "get", "200").iter_errors({"results": [], "next": 7, "x": 1})
    )

    assert len(errors) == 2


def test_an_uploads_events_are_what_the_document_says(schema, north):
    body = schema["paths"]["/api/v1/service-events"]["post"]["requestBody"]["content"]["application/json"]
    registry = Registry().with_resource("urn:api", Resource.from_contents(schema, DRAFT202012))
    reference = {"$ref": "urn:api" + body["schema"]["$ref"]}
    validator = Draft202012Validator(reference, registry=registry)

    assert list(validator.iter_errors([north.installed(), north.exchanged()])) == []
    assert list(validator.iter_errors({"events": [north.installed()]})) == []
    assert list(validator.iter_errors({"events": [{"type": "odd"}]})) != []


def test_decimals_are_strings_that_can_not_be_empty(schema):
    dose = schema["components"]["schemas"]["Cartridge"]["properties"]["nominal_dose_ml_per_day"]

    assert dose["type"] == "string"
    assert re.match(dose["pattern"], "8.000")
    assert not re.match(dose["pattern"], "")
    assert not re.match(dose["pattern"], "-")
