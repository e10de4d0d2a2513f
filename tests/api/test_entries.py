"""Codes of sites by API: a crew's phone lists labels, and has a code shown on the day. No program may."""

from __future__ import annotations

import logging
from uuid import uuid4

from accounts import clock
from accounts.permissions import PROGRAM_SCOPES, Permission, Role
from servicing.commands.entries import MOST_SHOWINGS
from servicing.queries import entries
from tests.api.callers import LISTS, bearer, everything, made, phone_of, program_of, signed_in
from tests.servicing.coded import CODE, kept, planned


def listed(cast):
    return f"sites/{cast.site.id}/entry-codes"


def showings(cast, row):
    return f"{listed(cast)}/{row.id}/showings"


def test_a_phone_lists_labels_and_is_shown_a_code_on_the_day(north):
    row, phone = kept(north), phone_of(north)
    before = phone.read(listed(north)).json()["results"]
    assert before == [
        {"id": str(row.id), "label": "Key box", "set_at": "2026-06-15T12:00:00Z", "is_open": False}
    ]
    refused = phone.send(showings(north, row))
    assert refused.status_code == 403
    assert "has a visit planned here" in refused.json()["detail"]
    planned(north)

    after = phone.read(listed(north))
    answer = phone.send(showings(north, row))

    assert [one["is_open"] for one in after.json()["results"]] == [True]
    assert CODE not in after.content.decode()
    assert made(answer) == {
        "id": str(row.id),
        "label": "Key box",
        "code": CODE,
        "day": "2026-06-15",
        "shown_at": "2026-06-15T12:00:00Z",
    }
    assert answer["Cache-Control"] == "no-store"
    with north.reading():
        assert [one.name for one in entries.showings_at(north.site.id)] == [north.phone.label]


def test_a_phone_that_a_program_registered_is_shown_none(north):
    row, program = kept(north), program_of(north)
    planned(north)
    token = made(program.send("devices", {"crew": str(north.crew.id), "label": "Of a program"}))["token"]

    refused = bearer(token).send(showings(north, row))

    assert refused.status_code == 403
    assert "A program registered this phone" in refused.json()["detail"]
    assert made(phone_of(north).send(showings(north, row)))["code"] == CODE


def test_sent_again_it_is_shown_again_and_no_answer_is_kept(north, superuser, caplog):
    caplog.set_level(logging.DEBUG)
    row, phone, key = kept(north), phone_of(north), f'"{uuid4()}"'
    planned(north)

    for _ in range(2):
        made(phone.send(showings(north, row), headers={"idempotency-key": key}))

    with north.reading():
        assert len(entries.showings_at(north.site.id)) == 2
    stored = superuser.execute("SELECT t::text FROM accounts_keptanswer t").fetchall()
    assert CODE.encode().hex() not in str(stored)
    assert CODE not in str(stored)
    assert CODE not in caplog.text


def test_a_member_of_the_crew_may_by_their_session_and_the_office_may_not(north):
    row = kept(north)
    planned(north)

    assert made(signed_in(north, Role.CREW_MEMBER).send(showings(north, row)))["code"] == CODE
    for role in set(Role) - {Role.CREW_MEMBER}:
        client = signed_in(north, role)
        assert client.send(showings(north, row)).status_code == 403
        assert client.read(listed(north)).status_code == (200 if role is Role.OWNER else 403)


def test_no_program_may_list_or_have_one_shown(north):
    row, program = kept(north), program_of(north)
    planned(north)

    assert not {Permission.ENTRIES_SHOW, Permission.ENTRIES_MANAGE} & set(PROGRAM_SCOPES)
    assert program.read(listed(north)).status_code == 403
    assert program.send(showings(north, row)).status_code == 403


def test_a_rivals_site_and_code_are_answered_as_absent_ones(north, south):
    theirs, own = kept(south), kept(north)
    planned(north)
    planned(south)
    phone = phone_of(north)

    for path in (
        showings(south, theirs),
        showings(north, theirs),
        showings(south, own),
        f"sites/{uuid4()}/entry-codes/{own.id}/showings",
        f"{listed(north)}/{uuid4()}/showings",
    ):
        assert phone.send(path).status_code == 404
    assert phone.read(listed(south)).status_code == 404
    with south.reading():
        assert entries.showings_at(south.site.id) == []


def test_too_many_are_refused_until_the_next_day(north):
    row, phone = kept(north), phone_of(north)
    planned(north)
    for _ in range(MOST_SHOWINGS):
        made(phone.send(showings(north, row)))

    answer = phone.send(showings(north, row))

    assert answer.status_code == 429
    assert answer["Retry-After"] == str(10 * 3600)
    assert "30 codes today" in answer.json()["detail"]
    with clock.playing(clock.now().replace(hour=22)):  # midnight in Berlin
        assert "planned here" in phone.send(showings(north, row)).json()["detail"]


def test_no_list_file_or_feed_of_the_operator_holds_a_code(north):
    kept(north)
    planned(north)
    made(phone_of(north).send(showings(north, kept(north, "Alarm", "Linde 4711 West"))))

    seen = str(everything(north))
    feed = signed_in(north).read("accounting/changes").content.decode()

    assert len(LISTS) > 20
    for code in (CODE, "Linde 4711 West"):
        assert code not in seen
        assert code not in feed
