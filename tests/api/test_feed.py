"""Reading the log on after a position: nothing missed, nothing twice, waiting for what comes, and as CloudEvents."""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import parse_qs, urlsplit

import pytest
from django.db import connections
from rfc3339_validator import validate_rfc3339

from accounts.commands import operators
from accounts.permissions import Actor, ActorKind, Role
from fleet.commands import print_labels
from servicing.api import feed
from servicing.commands.office import counter_event
from servicing.commands.uploads import upload_events
from servicing.queries.events import head_position
from tests.api.callers import phone_of, program_of
from tests.cast import Cast
from tests.servicing.test_swap import apart

WRITERS = 4
EACH = 30
BATCH = "application/cloudevents-batch+json"


def read(client, **query):
    answer = client.read("service-events", **query)
    assert answer.status_code == 200, answer.content
    return answer.json()


def head(cast: Cast) -> int:
    with cast.reading():
        return head_position()


def phone_writes(cast: Cast, number: int) -> set[str]:
    """One more phone of the crew, with a unit of its own, sends its events in odd batches, one of them twice."""
    device, _ = operators.register_device(actor=cast.owner, crew_id=cast.crew.id, label=f"Phone {number}")
    actor = Actor(cast.operator.id, ActorKind.DEVICE, Role.CREW_MEMBER, device.id, device.label, cast.crew.id)
    unit = print_labels(actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=1)[0]
    events = [cast.event("wick.checked", unit, condition="good") for _ in range(EACH)]
    for sequence, event in enumerate(events, start=1):
        event["device_sequence"] = sequence
    for start in range(0, EACH, 7):
        batch = events[start : start + 7]
        upload_events(actor=actor, events=batch)
        upload_events(actor=actor, events=batch[:2])
    return {event["id"] for event in events}


def test_a_reader_behind_several_writers_misses_nothing_and_sees_nothing_twice(north):
    client, seen, after = phone_of(north), [], "0"
    with ThreadPoolExecutor(WRITERS) as pool:
        writing = [pool.submit(apart, lambda n=n: phone_writes(north, n)) for n in range(WRITERS)]
        while not all(one.done() for one in writing):
            page = read(client, after=after, limit=3)
            seen += page["results"]
            after = page["next"]
        sent = set().union(*(one.result() for one in writing))
    while (page := read(client, after=after, limit=3))["results"]:
        seen += page["results"]
        after = page["next"]

    positions = [event["position"] for event in seen]
    assert len(sent) == WRITERS * EACH
    assert len(seen) == len(sent)
    assert {event["id"] for event in seen} == sent
    assert positions == sorted(set(positions))
    assert int(after) == positions[-1] == head(north)


def test_the_next_position_is_there_also_when_nothing_is(north):
    client = phone_of(north)

    assert read(client, after=0) == {"results": [], "next": "0"}
    north.upload(north.installed(), north.exchanged())
    one, two = read(client, after=0, limit=1), read(client, after=0, limit=2)
    end = read(client, after=two["next"])

    assert one["next"] == str(one["results"][0]["position"])
    assert two["next"] == str(head(north))
    assert end == {"results": [], "next": two["next"]}


def test_narrowed_it_goes_on_from_what_it_has_looked_through(north):
    north.upload(north.installed(), north.exchanged(), north.installed(north.units[1], station=1))
    client = phone_of(north)

    exchanges = read(client, after=0, type="cartridge.exchanged")
    of_unit = read(client, after=0, subject=north.units[1].id, limit=1)

    assert [event["type"] for event in exchanges["results"]] == ["cartridge.exchanged"]
    assert exchanges["next"] == str(head(north))
    assert [event["subject"]["id"] for event in of_unit["results"]] == [str(north.units[1].id)]
    assert read(client, after=exchanges["next"], type="cartridge.exchanged")["results"] == []


def test_the_list_without_a_position_ends_as_every_list(north):
    north.upload(north.installed(), north.exchanged())
    client = phone_of(north)

    first = read(client, limit=1)
    second = read(client, limit=1, after=first["next"])

    assert first["next"] is not None
    assert second["next"] is None
    assert len({event["id"] for event in first["results"] + second["results"]}) == 2


def test_a_waiting_reader_is_answered_with_what_comes(north, monkeypatch):
    """It would wait for 25 seconds; the upload happens only once it waits, and is in its answer."""
    waits = threading.Event()
    monkeypatch.setattr(feed.time, "sleep", lambda _: waits.set())
    client = phone_of(north)

    with ThreadPoolExecutor(1) as pool:
        asking = pool.submit(apart, lambda: read(client, after=0, wait=25))
        assert waits.wait(30)
        north.upload(north.installed())
        page = asking.result(timeout=60)

    assert [event["type"] for event in page["results"]] == ["unit.installed"]
    assert page["next"] == str(head(north))
    assert feed._waiting == set()


def test_a_waiting_reader_holds_no_transaction(north, superuser, monkeypatch):
    seen = []

    def look(_):
        (pid,) = connections["default"].connection.execute("SELECT pg_backend_pid()").fetchone()
        seen.append(
            superuser.execute(
                "SELECT state, (SELECT count(*) FROM pg_locks l WHERE l.pid = a.pid) FROM pg_stat_activity a WHERE pid = %s",
                [pid],
            ).fetchone()
        )
        north.upload(north.installed())

    monkeypatch.setattr(feed.time, "sleep", look)

    assert len(read(phone_of(north), after=0, wait=25)["results"]) == 1
    assert seen == [("idle", 0)]


def test_what_it_does_not_ask_for_wakes_no_reader(north, monkeypatch):
    uploads = iter([[north.installed()], [north.exchanged()]])
    monkeypatch.setattr(feed.time, "sleep", lambda _: north.upload(*next(uploads)))

    page = read(phone_of(north), after=0, wait=25, type="cartridge.exchanged")

    assert [event["type"] for event in page["results"]] == ["cartridge.exchanged"]


def test_a_second_waiting_reader_of_an_operator_is_answered_at_once(north, south, monkeypatch):
    early = []

    def meanwhile(_):
        early.append(phone_of(north).read("service-events", after=0, wait=25))
        north.upload(north.installed())

    monkeypatch.setattr(feed.time, "sleep", meanwhile)
    first = phone_of(north).read("service-events", after=0, wait=25)

    assert (early[0].json(), early[0]["Retry-After"]) == ({"results": [], "next": "0"}, "2")
    assert len(first.json()["results"]) == 1
    assert "Retry-After" not in first


def test_few_readers_wait_in_one_process(north, south, monkeypatch):
    monkeypatch.setattr(feed, "MOST_WAITING", 1)
    answers = []

    def meanwhile(_):
        answers.append(phone_of(south).read("service-events", after=0, wait=25))
        north.upload(north.installed())

    monkeypatch.setattr(feed.time, "sleep", meanwhile)
    first = phone_of(north).read("service-events", after=0, wait=25)

    assert answers[0]["Retry-After"] == "2"
    assert len(first.json()["results"]) == 1


def test_a_rivals_token_reads_its_own_events_only(north, south):
    north.upload(north.installed())
    south.upload(south.installed())
    program = program_of(south, "events:read")

    as_json = read(program, after=0)
    as_events = batch(program, after=0).json()

    assert [event["subject"]["id"] for event in as_json["results"]] == [str(south.unit.id)]
    assert [event["source"] for event in as_events] == [f"/operators/{south.operator.id}"]
    assert as_json["next"] == str(head(south))


def test_a_reader_ahead_of_the_log_is_told(north):
    """As after a restore of an older copy: silence would hide every event until the log has caught up with it."""
    north.upload(north.installed())

    answer = phone_of(north).read("service-events", after=head(north) + 1)

    assert answer.status_code == 400
    assert answer.json()["errors"][0]["code"] == "beyond-the-log"
    assert f"The last position here is {head(north)}." in answer.json()["errors"][0]["detail"]


def batch(client, **query):
    answer = client.get("/api/v1/service-events", query, headers={"accept": BATCH})
    assert answer.status_code == 200, answer.content
    return answer


# CloudEvents 1.0.2, specification, "Required attributes" and "Optional attributes"; their types after "Type system".
REQUIRED = {"specversion", "id", "source", "type"}
OPTIONAL = {"datacontenttype", "dataschema", "subject", "time"}
# The same, "Attribute naming convention": lower-case letters and digits, and should not exceed 20 characters.
NAME = re.compile(r"[a-z0-9]{1,20}")
# JSON event format 1.0.2, "Envelope": the members that are no attributes.
MEMBERS = {"data", "data_base64"}
# RFC 3986, section 2: the characters a URI-reference is made of.
URI_REFERENCE = re.compile(r"[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+")


def broken_rules(event):
    """The rules of CloudEvents 1.0.2 and of its JSON format that an object breaks, each by name."""
    attributes = {name: value for name, value in event.items() if name not in MEMBERS}
    rules = {
        "required": set(event) >= REQUIRED,
        "specversion": event.get("specversion") == "1.0",
        "names": all(NAME.fullmatch(name) for name in attributes),
        # A String is not empty where the specification says so; no attribute is null; an Integer has 32 bits.
        "values": all(isinstance(value, str) and value != "" for value in attributes.values()),
        "source": bool(URI_REFERENCE.fullmatch(str(event.get("source")))),
        "time": "time" not in event or validate_rfc3339(event["time"]),
        "datacontenttype": re.fullmatch(r"[\w.+-]+/[\w.+-]+", event.get("datacontenttype", "a/b"))
        is not None,
        "one data": not set(event) >= MEMBERS,
    }
    return [name for name, is_kept in rules.items() if not is_kept]


def test_a_batch_of_cloudevents_keeps_the_rules_of_the_standard(north):
    exchanged = north.exchanged()
    north.upload(north.installed(), exchanged, north.event("report.received", north.site, kind="odour"))
    counter_event(actor=north.dispatcher, event_id=exchanged["id"], reason="not_done")

    answer = batch(phone_of(north), after=0)
    events = answer.json()

    # JSON event format 1.0.2, "JSON batch format": an array, in this media type; it may be empty.
    assert answer["Content-Type"] == BATCH
    assert [broken_rules(event) for event in events] == [[]] * 4
    # "id": producers MUST ensure that source + id is unique for each distinct event.
    assert len({(event["source"], event["id"]) for event in events}) == 4
    assert set(events[1]) - REQUIRED - OPTIONAL - MEMBERS == {
        "position", "sequence", "receivedtime", "recordedtime", "device", "devicesequence", "actorkind", "actor",
    }  # fmt: skip
    # The extension "sequence": values sort as texts in the order of the events.
    assert sorted(event["sequence"] for event in events) == [event["sequence"] for event in events]
    assert batch(phone_of(north), after=head(north)).json() == []


@pytest.mark.parametrize(
    ("rule", "spoilt"),
    [
        ("specversion", {"specversion": "0.3"}),
        ("names", {"device_id": "x"}),
        ("names", {"deviceId": "x"}),
        ("values", {"member": None}),
        ("values", {"position": 5}),
        ("source", {"source": "an operator"}),
        ("time", {"time": "2026-06-15 12:00"}),
        ("datacontenttype", {"datacontenttype": "json"}),
        ("one data", {"data_base64": ""}),
    ],
)
def test_the_rules_would_find_an_event_that_breaks_them(north, rule, spoilt):
    north.upload(north.installed())
    event = batch(phone_of(north), after=0).json()[0]

    assert broken_rules(event) == []
    assert rule in broken_rules({**event, **spoilt})


def test_a_cloudevent_says_what_was_stored(north):
    changed = north.event("wick.changed", north.unit, reason="age")
    north.upload(north.installed(), changed)
    undo = counter_event(actor=north.dispatcher, event_id=changed["id"], reason="not_done")

    events = {event["id"]: event for event in batch(phone_of(north), after=0).json()}
    stored = {event["id"]: event for event in read(phone_of(north), after=0)["results"]}
    found = events[changed["id"]]

    assert found["type"] == "wickround.wick.changed.v1"
    assert found["source"] == f"/operators/{north.operator.id}"
    assert found["subject"] == f"unit/{north.unit.id}"
    assert found["time"] == found["receivedtime"] == "2026-06-15T12:00:00Z"
    assert found["position"] == str(stored[changed["id"]]["position"])
    assert found["data"] == {"reason": "age"}
    # It is undone, but what was sent stays as it was: the undoing is an event of its own.
    assert stored[changed["id"]]["standing"] == "superseded"
    assert "standing" not in found
    assert events[str(undo)]["corrects"] == changed["id"]


def test_the_link_leads_on_through_a_whole_log(north):
    north.upload(*(north.event("wick.checked", north.unit, condition="good") for _ in range(7)))
    client, found, address = phone_of(north), [], "/api/v1/service-events?limit=3&type=wick.checked"
    for _ in range(4):
        answer = client.get(address, headers={"accept": BATCH})
        found += answer.json()
        address = re.fullmatch(r'<([^>]+)>; rel="next"', answer["Link"])[1]

    assert len({event["id"] for event in found}) == len(found) == 7
    assert parse_qs(urlsplit(address).query) == {
        "limit": ["3"],
        "type": ["wick.checked"],
        "after": [str(head(north))],
    }


def test_a_batch_is_read_by_position_only_and_a_problem_stays_a_problem(north):
    north.upload(north.installed(), north.exchanged())
    cursor = read(phone_of(north), limit=1)["next"]

    answer = phone_of(north).get("/api/v1/service-events", {"after": cursor}, headers={"accept": BATCH})
    upload = phone_of(north).post(
        "/api/v1/service-events", "[]", content_type="application/json", headers={"accept": BATCH}
    )

    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
    assert answer.json()["errors"][0]["code"] == "not-a-position"
    assert upload.status_code == 406
    assert len(batch(phone_of(north)).json()) == 2
