"""Personal text by API: a phone files it and names it in its event; who may read it; what is refused."""

from __future__ import annotations

from uuid import uuid4

import pytest

from accounts.permissions import Role
from servicing.commands.personal import erase_person
from tests.api.callers import made, office, phone_of, refused, signed_in

WORDS = {"who": "Quenby Vantongeren", "said": "It smells beside the lift"}


def test_a_phone_files_a_text_and_its_event_names_it(north):
    phone, own = phone_of(north), str(uuid4())

    first, again = (made(phone.send("personal-texts", {**WORDS, "id": own})) for _ in range(2))
    event = north.event(
        "report.received", north.unit, kind="odour", text_id=first["id"], text_hash=first["hash"]
    )
    fates = phone.send("service-events", [{**event, "schema_version": 2}]).json()["fates"]

    assert first == again
    assert first["id"] == own
    assert [fate["fate"] for fate in fates] == ["accepted"]
    stored = phone.read(f"service-events/{event['id']}").json()
    assert (stored["schema_version"], stored["payload"]["text_hash"]) == (2, first["hash"])
    shown = phone.read(f"personal-texts/{own}").json()
    assert (shown["state"], shown["who"], shown["said"]) == ("readable", WORDS["who"], WORDS["said"])


def test_the_office_takes_down_a_report_with_its_words_in_one_call(north):
    event = made(office(north).send("reports", {"unit": str(north.unit.id), "kind": "odour", **WORDS}))[
        "event"
    ]

    payload = office(north).read(f"service-events/{event}").json()["payload"]

    assert set(payload) == {"kind", "text_id", "text_hash"}
    assert office(north).read(f"personal-texts/{payload['text_id']}").json()["said"] == WORDS["said"]


def test_the_words_stand_in_no_list(north):
    made(office(north).send("reports", {"unit": str(north.unit.id), "kind": "odour", **WORDS}))
    owner = signed_in(north)

    for path in ("service-events", "reports", f"units/{north.unit.id}/service-events"):
        answer = owner.read(path)
        assert answer.json()["results"] != []
        assert b"Quenby" not in answer.content


@pytest.mark.parametrize(
    ("role", "status"),
    [
        (Role.OWNER, 200),
        (Role.DISPATCHER, 200),
        (Role.CREW_MEMBER, 200),
        (Role.BOOKKEEPER, 403),
        (Role.VIEWER, 403),
    ],
)
def test_whoever_sends_bills_or_only_looks_reads_no_words(north, role, status):
    text = made(office(north).send("personal-texts", WORDS))["id"]

    assert signed_in(north, role).read(f"personal-texts/{text}").status_code == status


def test_an_erased_text_says_so_and_takes_no_words_again(north):
    text = made(office(north).send("personal-texts", WORDS))
    erase_person(actor=north.owner, person_id=text["person"])

    shown = office(north).read(f"personal-texts/{text['id']}").json()

    assert (shown["state"], shown["who"], shown["said"], shown["hash"]) == ("erased", "", "", text["hash"])
    assert shown["erased_at"] == "2026-06-15T12:00:00Z"
    assert office(north).send("personal-texts", {**WORDS, "id": text["id"]}).status_code == 409
    assert office(north).send("personal-texts", {**WORDS, "person": text["person"]}).status_code == 409


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/said"),
        ({"who": "w" * 121}, "/who"),
        ({"said": "x" * 501}, "/said"),
        ({"said": "x", "person": "S1"}, "/person"),
        ({"said": "x", "note": "x"}, "/note"),
    ],
)
def test_a_text_that_makes_no_sense_is_refused(north, body, pointer):
    assert refused(office(north).send("personal-texts", body), 400) == [pointer]


def test_a_rivals_person_is_somebody_new_here(north, south):
    theirs = made(office(south).send("personal-texts", WORDS))
    own = made(office(north).send("personal-texts", {"said": "x", "person": theirs["person"]}))

    erase_person(actor=north.owner, person_id=own["person"])

    assert office(north).read(f"personal-texts/{theirs['id']}").status_code == 404
    assert office(south).read(f"personal-texts/{theirs['id']}").json()["state"] == "readable"
