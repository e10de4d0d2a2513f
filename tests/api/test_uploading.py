"""POST /service-events: every event gets its own answer, and a bad one never takes a good one with it."""

from __future__ import annotations

import json
from datetime import timedelta
from io import BytesIO
from uuid import uuid4

import psycopg
import pytest

from accounts import clock
from accounts.errors import TooLarge
from accounts.permissions import Role
from config.parsing import StrictJson
from servicing.queries import events as log
from tests.api.callers import Api, phone_of, signed_in

PATH = "service-events"


def stored(cast) -> int:
    with cast.reading():
        return log.stored_events().count()


def test_a_list_and_an_object_of_events_are_both_taken(north):
    phone = phone_of(north)

    listed = phone.send(PATH, [north.installed()])
    wrapped = phone.send(PATH, {"events": [north.exchanged()]})

    assert listed.status_code == wrapped.status_code == 200
    assert [fate["fate"] for fate in listed.json()["fates"] + wrapped.json()["fates"]] == ["accepted"] * 2
    assert stored(north) == 2


def test_sending_again_answers_duplicate_with_the_stored_position(north):
    phone, event = phone_of(north), north.installed()

    first = phone.send(PATH, [event]).json()["fates"][0]
    again = phone.send(PATH, [event]).json()["fates"][0]

    assert (first["fate"], again["fate"]) == ("accepted", "duplicate")
    assert again["position"] == first["position"]
    assert stored(north) == 1


def spoilt(north, south):
    """One spoilt event each, with the code of its refusal."""
    unit = north.units[2]
    good = north.exchanged(unit)
    return {
        "not an object": ("an event", "unreadable"),
        "unknown type": ({**good, "type": "unit.repainted"}, "unknown-type"),
        "unknown version": ({**good, "schema_version": 99}, "unknown-version"),
        "unknown field": ({**good, "colour": "red"}, "unknown-field"),
        "unknown payload field": ({**good, "payload": {**good["payload"], "x": 1}}, "unknown-field"),
        "no id": ({name: value for name, value in good.items() if name != "id"}, "missing"),
        "id is a number": ({**good, "id": 7}, "unreadable"),
        "no device sequence": ({**good, "device_sequence": None}, "unreadable"),
        "sequence of zero": ({**good, "device_sequence": 0}, "unreadable"),
        "sequence of another event": ({**good, "device_sequence": 1}, "sequence-taken"),
        "unknown unit": ({**good, "subject": {"kind": "unit", "id": str(uuid4())}}, "unknown-subject"),
        "rival's unit": ({**good, "subject": {"kind": "unit", "id": str(south.unit.id)}}, "unknown-subject"),
        "rival's cartridge": (
            {**good, "payload": {**good["payload"], "cartridge_id": str(south.cartridge.id)}},
            "unknown-subject",
        ),
        "wrong subject": ({**good, "subject": {"kind": "site", "id": str(north.site.id)}}, "wrong-subject"),
        "negative volume": ({**good, "payload": {**good["payload"], "cartridge_left_ml": -1}}, "unreadable"),
        "impossible volume": (
            {**good, "payload": {**good["payload"], "cartridge_left_ml": 99_999}},
            "unreadable",
        ),
        "half a millilitre": ({**good, "payload": {**good["payload"], "charge_ml": 279.5}}, "unreadable"),
        "time without offset": ({**good, "occurred_at": "2026-06-15T12:00:00"}, "no-offset"),
        "no time": ({**good, "occurred_at": "yesterday"}, "unreadable"),
    }


CASES = (
    "not an object",
    "unknown type",
    "unknown version",
    "unknown field",
    "unknown payload field",
    "no id",
    "id is a number",
    "no device sequence",
    "sequence of zero",
    "sequence of another event",
    "unknown unit",
    "rival's unit",
    "rival's cartridge",
    "wrong subject",
    "negative volume",
    "impossible volume",
    "half a millilitre",
    "time without offset",
    "no time",
)


def test_the_cases_below_are_all_of_them(north, south):
    assert set(CASES) == set(spoilt(north, south))


@pytest.mark.parametrize("case", CASES)
def test_a_spoilt_event_is_refused_and_the_good_ones_of_its_batch_are_kept(north, south, case):
    first, last = north.installed(), north.installed(north.units[1], station=1)
    bad, code = spoilt(north, south)[case]

    answer = phone_of(north).send(PATH, [first, bad, last])

    assert answer.status_code == 200
    fates = answer.json()["fates"]
    assert [fate["fate"] for fate in fates] == ["accepted", "refused", "accepted"]
    assert code in {fates[1]["code"], *(error["code"] for error in fates[1]["errors"])}
    assert fates[1]["detail"]
    assert stored(north) == 2


def test_an_unknown_and_a_rivals_unit_get_the_same_answer(north, south):
    cases = spoilt(north, south)
    fates = phone_of(north).send(PATH, [cases["unknown unit"][0]]).json()["fates"]
    fates += phone_of(north).send(PATH, [cases["rival's unit"][0]]).json()["fates"]

    assert fates[0] == fates[1]


def test_the_same_id_with_other_content_is_a_conflict_and_the_stored_one_stays(north):
    phone, event = phone_of(north), north.installed()
    phone.send(PATH, [event])
    changed = {**event, "payload": {**event["payload"], "charge_ml": 200}}

    fates = phone.send(PATH, [changed, north.exchanged()]).json()["fates"]

    assert [(fate["fate"], fate["code"]) for fate in fates] == [
        ("conflict", "other-content"),
        ("accepted", ""),
    ]
    kept = phone.read(f"service-events/{event['id']}").json()
    assert kept["payload"]["charge_ml"] == 280


def test_a_time_more_than_ten_minutes_ahead_is_stored_and_waits(north):
    ahead = north.installed(at=clock.now() + timedelta(minutes=11))
    near = north.installed(north.units[1], at=clock.now() + timedelta(minutes=9), station=1)
    phone = phone_of(north)

    fates = phone.send(PATH, [ahead, near]).json()["fates"]

    assert [fate["fate"] for fate in fates] == ["accepted", "accepted"]
    assert phone.read(f"service-events/{ahead['id']}").json()["standing"] == "clock_ahead"
    assert phone.read(f"service-events/{near['id']}").json()["standing"] == "effective"
    assert phone.read(f"units/{north.unit.id}").json()["status"] == "printed"


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[1, 2",
        "[NaN]",
        "[Infinity]",
        "[1e999]",
        '{"events": [], "events": []}',
        '["\\ud800"]',
        b"\xff\xfe[]",
        b"[\xe9]",
        "[" * 100_000,
        '{"a":' * 50_000,
        "[" + "9" * 5_000 + "]",
    ],
    ids=[
        "half an object",
        "half a list",
        "NaN",
        "infinity",
        "out of range",
        "a name twice",
        "half a surrogate pair",
        "UTF-16",
        "latin-1",
        "deep list",
        "deep object",
        "endless number",
    ],
)
def test_malformed_json_is_refused_as_such(north, text):
    answer = phone_of(north).send_text(PATH, text)

    assert answer.status_code == 400
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["type"] == "/problems/malformed-json"
    assert stored(north) == 0


@pytest.mark.parametrize(
    "body", [{}, {"event": []}, {"events": {}}, {"events": [], "more": 1}, "events", 7, None, True]
)
def test_a_body_of_another_shape_is_refused(north, body):
    answer = phone_of(north).send_text(PATH, json.dumps(body))

    assert answer.status_code == 400
    assert answer.json()["type"] == "/problems/bad-input"


def test_an_empty_body_is_no_upload(north):
    answer = phone_of(north).send_text(PATH, "")

    assert answer.status_code == 400
    assert answer.json()["type"] == "/problems/bad-input"


def test_a_surrogate_pair_is_one_character_and_read(north):
    answer = phone_of(north).send_text(PATH, '["\\ud83d\\udca7"]')

    assert answer.status_code == 200
    assert answer.json()["fates"][0]["fate"] == "refused"


def test_500_events_are_taken_and_501_are_not(north):
    phone = phone_of(north)

    most = phone.send(PATH, [north.event("wick.washed", north.unit) for _ in range(500)])
    more = phone.send(PATH, [north.event("wick.washed", north.unit) for _ in range(501)])

    assert most.status_code == 200
    assert {fate["fate"] for fate in most.json()["fates"]} == {"accepted"}
    assert more.status_code == 413
    assert more.json()["type"] == "/problems/too-large"
    assert stored(north) == 500


def test_a_body_over_one_mebibyte_is_refused_whatever_it_says_of_its_length(north):
    phone, padding = phone_of(north), " " * (1024 * 1024)
    body = padding + json.dumps([north.installed()])

    honest = phone.send_text(PATH, body)
    short = phone.send_text(PATH, body, CONTENT_LENGTH="200")

    assert honest.status_code == 413
    assert honest.json()["type"] == "/problems/too-large"
    assert short.json()["type"] == "/problems/malformed-json"  # no more is read than was announced
    with pytest.raises(TooLarge):
        StrictJson().parse(BytesIO(body.encode()))
    assert stored(north) == 0


def test_a_body_of_exactly_one_mebibyte_is_read(north):
    body = json.dumps([north.installed()])
    body += " " * (1024 * 1024 - len(body))

    assert phone_of(north).send_text(PATH, body).status_code == 200
    assert stored(north) == 1


def test_another_media_type_is_refused(north):
    answer = phone_of(north).post("/api/v1/service-events", {"events": "[]"})

    assert answer.status_code == 415
    assert answer.json()["type"] == "/problems/unsupported-media-type"


def test_a_person_records_by_the_office_which_numbers_for_them(north):
    event = {name: value for name, value in north.installed().items() if name != "device_sequence"}
    office = signed_in(north, Role.DISPATCHER)

    numbered = office.send(PATH, [{**event, "device_sequence": 4}]).json()["fates"][0]
    plain = office.send(PATH, [event]).json()["fates"][0]

    assert (numbered["fate"], numbered["code"]) == ("refused", "not-yours")
    assert plain["fate"] == "accepted"


def test_a_rivals_event_id_is_ones_own_to_use(north, south):
    theirs = south.installed()
    south.upload(theirs)
    ours = {**north.installed(), "id": theirs["id"]}

    assert phone_of(north).send(PATH, [ours]).json()["fates"][0]["fate"] == "accepted"
    assert phone_of(south).read(f"service-events/{theirs['id']}").json()["subject"]["id"] == str(
        south.unit.id
    )


def test_nobody_uploads_without_a_credential(north):
    answer = Api().send(PATH, [north.installed()])

    assert answer.status_code == 401
    assert stored(north) == 0


@pytest.fixture
def held(north, database):
    """Somebody else is storing events of this operator and does not come to an end."""
    with psycopg.connect(database.database_url) as other:
        other.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [str(north.operator.id)])
        yield other


def test_an_upload_that_can_not_have_its_turn_is_asked_to_come_again(north, held):
    phone, event = phone_of(north), north.installed()

    waiting = phone.send(PATH, [event])
    held.rollback()
    again = phone.send(PATH, [event])

    assert (waiting.status_code, waiting.json()["type"]) == (503, "/problems/busy")
    assert int(waiting.headers["Retry-After"]) >= 1
    assert again.json()["fates"][0]["fate"] == "accepted"
