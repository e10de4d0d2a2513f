"""Each operation has an example of what is sent and of what is answered, made by a real call, and held against its schema.

`WICKROUND_WRITE_EXAMPLES=1 make test ARGS=tests/api/test_examples.py` writes them anew: read the difference before it is kept.
The judge is jsonschema (JSON Schema 2020-12), in whose eyes an object has no member that is not documented.
"""

from __future__ import annotations

import json
import os
from collections import defaultdict

import pytest

from accounts import clock
from config.schema import examples
from config.schema.view import document
from tests.api.callers import live
from tests.api.calls import BODIES, every_call, operations
from tests.api.exampled import alike, examples_of
from tests.api.test_schema import escaped, judge_of
from tests.cast import NOON, new_cast

# Pictures: no example of a JSON document can hold one.
PICTURES = {("keep_photo", "request"), ("get_photo", "answer")}


@pytest.fixture(scope="module")
def calls(database):
    """Every operation called once."""
    with clock.playing(NOON):
        cast = new_cast("north")
        found = {call.name: call for call in every_call(cast, live(cast), document())}
    if os.environ.get("WICKROUND_WRITE_EXAMPLES"):
        _write(found)
    return found


def _write(calls):
    by_tag = defaultdict(dict)
    for item in document()["paths"].values():
        for operation in item.values():
            name = operation["operationId"]
            if name in calls:
                by_tag[operation["tags"][0]][name] = examples_of(calls[name])
    examples.FOLDER.mkdir(exist_ok=True)
    for tag, found in by_tag.items():
        text = json.dumps(dict(sorted(found.items())), ensure_ascii=False, indent=1)
        (examples.FOLDER / f"{tag}.json").write_text(text + "\n")
    examples.stored.cache_clear()
    document.cache_clear()


def test_every_operation_can_be_called_as_the_examples_do(calls):
    failed = {
        name: call.answer.content for name, call in calls.items() if not 200 <= call.answer.status_code < 300
    }

    assert failed == {}
    assert set(calls) == {name for name, _path, _method in operations(document())}
    assert set(BODIES) <= set(calls)


def test_every_operation_has_its_examples(calls):
    lacking = []
    for item in document()["paths"].values():
        for operation in item.values():
            name, stored = operation["operationId"], examples.stored().get(operation["operationId"], {})
            if "requestBody" in operation and "request" not in stored:
                lacking.append((name, "request"))
            status = next(code for code in operation["responses"] if code.startswith("2"))
            if "content" in operation["responses"][status] and "answer" not in stored:
                lacking.append((name, "answer"))

    assert set(lacking) == PICTURES


def test_every_example_is_what_its_schema_says(calls):
    schema, judged = document(), 0
    for path, item in schema["paths"].items():
        for method, operation in item.items():
            where = ["paths", path, method]
            for parts in (["requestBody"], *(["responses", status] for status in operation["responses"])):
                inner = operation
                for part in parts:
                    inner = inner.get(part, {})
                for media, content in inner.get("content", {}).items():
                    if media != "application/json":
                        continue
                    pointer = "/".join(escaped(part) for part in [*where, *parts, "content", media, "schema"])
                    errors = list(judge_of(schema, pointer).iter_errors(content["example"]))
                    assert errors == [], (operation["operationId"], parts, errors[:2])
                    judged += 1

    assert judged >= 180


def test_each_answer_has_the_headers_that_are_documented(calls):
    for item in document()["paths"].values():
        for operation in item.values():
            answer = calls[operation["operationId"]].answer
            headers = operation["responses"][str(answer.status_code)].get("headers", {})
            said = {name for name in headers if name in answer.headers}
            assert set(headers) - said <= {"Idempotency-Replayed"}, operation["operationId"]
            assert ("ETag" in answer.headers) == ("ETag" in headers), operation["operationId"]


def test_the_examples_are_still_what_is_answered(calls):
    stale = {
        name for name, call in calls.items() if not alike(examples.stored().get(name, {}), examples_of(call))
    }

    assert stale == set()


def test_a_stale_example_would_be_found():
    assert alike({"a": [{"b": "1"}], "c": None}, {"a": [{"b": "2"}], "c": "d"})
    assert not alike({"a": [{"b": "1"}]}, {"a": [{"b": "2", "new": "3"}]})
    assert not alike({"a": "1"}, {"a": 1})
    assert not alike({"a": "1", "gone": "2"}, {"a": "1"})


def test_no_example_tells_a_secret_or_who_ran_the_tests(calls):
    text = json.dumps(examples.stored())

    for call in calls.values():
        said = call.answer.json() if "json" in call.answer.headers.get("Content-Type", "") else {}
        for word in ("token", "secret"):
            secret = said.get(word) if isinstance(said, dict) else None
            assert not secret or secret not in text
