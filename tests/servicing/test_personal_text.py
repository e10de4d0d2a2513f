"""What people say is kept apart from the log, encrypted, and erased for good; the log stays as it was and stays whole."""

from __future__ import annotations

from uuid import uuid4

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction

from accounts import tenancy
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from servicing import log
from servicing.commands.office import counter_event, receive_report
from servicing.commands.personal import erase_person, file_text, rewrap_keys
from servicing.commands.rebuilds import check, rebuild
from servicing.commands.seals import seal
from servicing.events.types import Subject
from servicing.log import content_hash
from servicing.queries import personal
from servicing.queries.seals import get_anchor
from servicing.queries.verifying import verify
from tests.servicing.quoting import OTHER_SAID, OTHER_WHO, SAID, WHO, reported


def everything_stored(superuser: psycopg.Connection) -> bytes:
    """Every row of every table of the database, in whatever schema, as COPY writes it."""
    tables = superuser.execute(
        "SELECT quote_ident(n.nspname) || '.' || quote_ident(c.relname) FROM pg_class c "
        "JOIN pg_namespace n ON n.oid = c.relnamespace WHERE c.relkind = 'r' AND n.nspname <> 'information_schema'"
    ).fetchall()
    found = b""
    for (table,) in tables:
        with superuser.cursor().copy(f"COPY {table} TO STDOUT") as rows:
            found += b"".join(bytes(part) for part in rows)
    return found


def forms_of(text: str) -> list[bytes]:
    """A text as COPY would show it in a text or json column, and in a bytea one."""
    return [text.encode(), text.encode().hex().encode()]


def test_a_report_names_the_text_and_its_hash_and_holds_no_word_of_it(north):
    row, text = reported(north)

    assert (row.schema_version, row.payload) == (
        2,
        {"kind": "odour", "text_id": str(text.text_id), "text_hash": text.hash},
    )
    assert (text.state, text.who, text.said) == ("readable", WHO, SAID)


def test_no_word_of_it_stands_in_any_table_even_before_the_erasure(north, superuser):
    reported(north)

    stored = everything_stored(superuser)

    assert [form for word in (WHO, SAID) for form in forms_of(word) if form in stored] == []
    # The search would find something: the site's name stands in its table.
    assert forms_of("Marl Quay School")[0] in stored


def test_after_the_erasure_nothing_can_be_read_and_the_log_is_whole(north, superuser):
    row, text = reported(north)
    _, other = reported(north, OTHER_WHO, OTHER_SAID)
    before = everything_of(superuser, north)

    assert erase_person(actor=north.owner, person_id=text.person_id) == 1

    with north.reading():
        gone, kept = personal.get_text(text.text_id), personal.get_text(other.text_id)
        row_after = log.events_by_id([row.event_id])[0]
    assert (gone.state, gone.who, gone.said, gone.hash) == ("erased", "", "", text.hash)
    assert (kept.state, kept.who, kept.said) == ("readable", OTHER_WHO, OTHER_SAID)
    assert everything_of(superuser, north) == before
    assert content_hash(row_after, from_office=True) == bytes(row_after.content_hash)
    key, blob = superuser.execute(
        "SELECT k.wrapped_key, t.ciphertext FROM servicing_personkey k JOIN servicing_personaltext t "
        "USING (operator_id, person_id) WHERE t.text_id = %s",
        [text.text_id],
    ).fetchone()
    assert (key, blob) == (None, None)
    stored = everything_stored(superuser)
    assert [form for word in (WHO, SAID) for form in forms_of(word) if form in stored] == []


def everything_of(superuser, cast):
    return superuser.execute(
        "SELECT * FROM servicing_event WHERE operator_id = %s ORDER BY position", [cast.operator.id]
    ).fetchall()


def test_what_is_folded_is_the_same_after_an_erasure_and_made_again(north):
    _, text = reported(north)
    erase_person(actor=north.owner, person_id=text.person_id)

    assert check(north.operator.id) == []
    rebuild(north.operator.id)
    assert check(north.operator.id) == []


def test_erasing_again_erases_nothing_more_and_keeps_the_day(north, later):
    _, text = reported(north)
    erase_person(actor=north.owner, person_id=text.person_id)
    later(days=3)

    assert erase_person(actor=north.owner, person_id=text.person_id) == 0

    with north.reading():
        assert (personal.get_text(text.text_id).erased_at.day, personal.people()[0].who) == (15, "")


def test_a_person_of_several_texts_loses_all_of_them(north):
    first = file_text(actor=north.crew_phone, who=WHO, said=SAID)
    second = file_text(actor=north.crew_phone, who=WHO, said="Again", person_id=first.person_id)

    with north.reading():
        assert [len(person.texts) for person in personal.people()] == [2]
    assert erase_person(actor=north.owner, person_id=first.person_id) == 2
    with north.reading():
        assert personal.texts([first.text_id, second.text_id])[second.text_id].state == "erased"


def test_nothing_more_is_kept_of_an_erased_person(north):
    text = file_text(actor=north.dispatcher, who=WHO, said=SAID)
    erase_person(actor=north.owner, person_id=text.person_id)

    with pytest.raises(Conflict, match="were erased"):
        file_text(actor=north.dispatcher, who=WHO, said="More", person_id=text.person_id)
    with pytest.raises(Conflict, match="were erased"):
        file_text(actor=north.dispatcher, who=WHO, said=SAID, id=text.text_id)
    with north.reading():
        assert [len(person.texts) for person in personal.people()] == [1]


def test_the_same_sent_twice_is_kept_once_and_other_words_are_refused(north):
    own = uuid4()
    first = file_text(actor=north.crew_phone, who=WHO, said=SAID, id=own)

    assert file_text(actor=north.crew_phone, who=WHO, said=SAID, id=own) == first
    with pytest.raises(Conflict, match="other words"):
        file_text(actor=north.crew_phone, who=WHO, said="Other", id=own)
    with pytest.raises(Conflict, match="other words"):
        file_text(actor=north.crew_phone, who=WHO, said=SAID, id=own, person_id=uuid4())


def test_a_report_sent_twice_with_its_words_is_recorded_once(north):
    own = uuid4()

    first, again = reported(north, id=own), reported(north, id=own)

    assert (first[0].position, first[1]) == (again[0].position, again[1])
    with pytest.raises(Conflict):
        reported(north, said="Something else", id=own)


@pytest.mark.parametrize(
    ("who", "said", "pointer"),
    [("", " ", "/said"), ("w" * 121, "x", "/who"), ("w", "x" * 501, "/said")],
)
def test_a_text_that_is_empty_or_too_long_is_refused(north, who, said, pointer):
    with pytest.raises(BadInput) as refusal:
        file_text(actor=north.dispatcher, who=who, said=said)

    assert [error.pointer for error in refusal.value.errors] == [pointer]
    assert file_text(actor=north.dispatcher, who="w" * 120, said="x" * 500).said == "x" * 500


def test_a_report_of_no_known_kind_keeps_no_text(north):
    with pytest.raises(BadInput, match="one of odour"):
        receive_report(
            actor=north.dispatcher, about=Subject.SITE, subject_id=north.site.id, kind="noise", said=SAID
        )

    with north.reading():
        assert personal.people() == []


def test_a_phone_may_send_the_event_before_the_text(north):
    own, digest = uuid4(), "0f" * 32
    event = north.event("report.received", north.unit, kind="odour", text_id=own, text_hash=digest)

    fates = north.upload({**event, "schema_version": 2})

    assert fates[0].fate == "accepted"
    with north.reading():
        assert (
            personal.texts_of_reports([fates[0].id])[log.events_by_id([fates[0].id])[0].event_id].state
            == "absent"
        )
    file_text(actor=north.crew_phone, who=WHO, said=SAID, id=own)
    with north.reading():
        assert personal.get_text(own).state == "readable"


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"text_id": str(uuid4())}, "/payload/text_hash"),
        ({"text_hash": "0f" * 32}, "/payload/text_id"),
        ({"text_id": str(uuid4()), "text_hash": "0F" * 32}, "/payload/text_hash"),
        ({"said": SAID}, "/payload/said"),
    ],
)
def test_an_event_names_id_and_hash_together_and_never_the_words(north, given, pointer):
    event = north.event("report.received", north.unit, kind="odour", **given)

    fate = north.upload({**event, "schema_version": 2})[0]

    assert (fate.fate, [error.pointer for error in fate.errors]) == ("refused", [pointer])


def test_a_rival_reads_and_erases_nothing(north, south):
    _, text = reported(north)

    with south.reading():
        assert personal.texts([text.text_id])[text.text_id].state == "absent"
        assert personal.people() == []
        with pytest.raises(NotFound):
            personal.get_person(text.person_id)
    with pytest.raises(NotFound):
        erase_person(actor=south.owner, person_id=text.person_id)
    with north.reading():
        assert personal.get_text(text.text_id).state == "readable"


@pytest.mark.parametrize("role", [Role.DISPATCHER, Role.CREW_MEMBER, Role.BOOKKEEPER, Role.VIEWER])
def test_only_an_owner_erases(north, role):
    _, text = reported(north)

    with pytest.raises(Forbidden):
        erase_person(actor=north.actors[role], person_id=text.person_id)
    with pytest.raises(Forbidden):
        rewrap_keys(actor=north.actors[role])

    with north.reading():
        assert personal.get_text(text.text_id).state == "readable"


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM servicing_personaltext",
        "DELETE FROM servicing_personkey",
        "TRUNCATE servicing_personkey",
    ],
)
def test_the_runtime_role_empties_rows_and_takes_none_away(north, statement):
    _, text = reported(north)

    with pytest.raises(Exception, match="permission denied"), tenancy.writing(north.owner):
        connection.cursor().execute(statement)

    with north.reading():
        assert personal.get_text(text.text_id).state == "readable"


def test_a_row_can_not_be_erased_and_readable_at_once(north):
    _, text = reported(north)

    with pytest.raises(IntegrityError), tenancy.writing(north.owner), transaction.atomic():
        connection.cursor().execute(
            "UPDATE servicing_personaltext SET erased_at = now() WHERE text_id = %s", [text.text_id]
        )


def test_an_undone_report_keeps_its_words_until_they_are_erased(north):
    row, text = reported(north)
    counter_event(actor=north.dispatcher, event_id=row.event_id, reason="wrong_entry")

    with north.reading():
        assert personal.get_text(text.text_id).state == "readable"
    assert erase_person(actor=north.owner, person_id=text.person_id) == 1


def test_seals_made_before_an_erasure_verify_after_it(north):
    row, text = reported(north)
    assert seal(actor=north.owner, at_once=True) == 1
    with north.reading():
        anchor = get_anchor()

    erase_person(actor=north.owner, person_id=text.person_id)

    with north.reading():
        found = verify([anchor])
        assert (found.seals, found.anchors, found.faults) == (1, 1, ())
        assert found.events == len(log.events_after(0)) == 1
        assert personal.texts_of_reports([row.event_id])[row.event_id].state == "erased"
