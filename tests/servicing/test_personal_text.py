"""What people say is kept apart from the log, encrypted, and erased for good; the log stays as it was and stays whole."""

from __future__ import annotations

import io
from uuid import uuid4

import psycopg
import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction

from accounts import tenancy
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from servicing import log
from servicing.commands.office import counter_event, receive_report
from servicing.commands.personal import erase_person, file_text, rewrap_keys
from servicing.commands.rebuilds import check, rebuild
from servicing.events.types import Subject
from servicing.log import content_hash
from servicing.queries import personal

WHO, SAID = "Quenby Vantongeren", "The zephyrine smell is back beside the lift"
OTHER_WHO, OTHER_SAID = "Isbrand Okonqvist", "A puddle as wide as a dinner plate"


def reported(cast, who=WHO, said=SAID, **rest):
    """A report with its words; gives the event's row and the text."""
    event_id = receive_report(
        actor=cast.dispatcher,
        about=Subject.UNIT,
        subject_id=cast.unit.id,
        kind="odour",
        who=who,
        said=said,
        **rest,
    )
    with cast.reading():
        return log.events_by_id([event_id])[0], personal.texts_of_reports([event_id])[event_id]


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


def test_an_old_backup_of_the_texts_without_their_keys_reads_nothing(north, superuser):
    _, text = reported(north)
    backup = superuser.execute(
        "SELECT ciphertext FROM servicing_personaltext WHERE text_id = %s", [text.text_id]
    ).fetchone()[0]
    erase_person(actor=north.owner, person_id=text.person_id)

    superuser.execute(
        "UPDATE servicing_personaltext SET ciphertext = %s, erased_at = NULL WHERE text_id = %s",
        [backup, text.text_id],
    )

    with north.reading():
        restored = personal.get_text(text.text_id)
    assert (restored.state, restored.who, restored.said) == ("sealed", "", "")
    assert erase_person(actor=north.owner, person_id=text.person_id) == 1


def test_a_dump_with_its_wrapped_keys_reads_nothing_without_the_key_of_the_environment(north, settings):
    _, text = reported(north)

    settings.TEXT_KEY = "another random text that wrapped none of the keys"

    with north.reading():
        assert personal.get_text(text.text_id).state == "sealed"
        assert personal.people()[0].who == ""


def test_a_text_or_key_moved_to_another_row_reads_nothing(north, south, superuser):
    _, text = reported(north)
    _, other = reported(north, OTHER_WHO, OTHER_SAID)
    _, foreign = reported(south, OTHER_WHO, OTHER_SAID)

    copy = "UPDATE {0} SET {1} = (SELECT {1} FROM {0} WHERE {2} = %s) WHERE {2} = %s"
    superuser.execute(
        copy.format("servicing_personkey", "wrapped_key", "person_id"), [text.person_id, foreign.person_id]
    )
    superuser.execute(
        copy.format("servicing_personaltext", "ciphertext", "text_id"), [text.text_id, other.text_id]
    )

    with north.reading():
        assert [personal.get_text(one.text_id).state for one in (text, other)] == ["readable", "sealed"]
    with south.reading():
        assert personal.get_text(foreign.text_id).state == "sealed"


def test_the_key_of_the_environment_is_changed_by_wrapping_anew(north, settings):
    _, text = reported(north)
    _, erased = reported(north, OTHER_WHO, OTHER_SAID)
    erase_person(actor=north.owner, person_id=erased.person_id)
    before, settings.TEXT_KEY = settings.SECRET_KEY, "a new random text of more than 32 characters"

    with pytest.raises(BadInput, match="nothing was changed"):
        rewrap_keys(actor=north.owner)
    settings.TEXT_KEY_BEFORE = before
    assert rewrap_keys(actor=north.owner) == 1
    settings.TEXT_KEY_BEFORE = ""

    with north.reading():
        assert personal.get_text(text.text_id).said == SAID
        assert personal.get_text(erased.text_id).state == "erased"


def test_another_hand_opens_it_by_the_standard(north, superuser, settings):
    """AES-256 in counter mode from the initial counter of NIST SP 800-38D section 7.1: what GCM encrypts by, without it."""
    _, text = reported(north)
    wrapped, blob = superuser.execute(
        "SELECT k.wrapped_key, t.ciphertext FROM servicing_personkey k JOIN servicing_personaltext t "
        "USING (operator_id, person_id) WHERE t.text_id = %s",
        [text.text_id],
    ).fetchone()
    master = HKDF(hashes.SHA256(), 32, None, b"wickround personal text keys 1").derive(
        settings.SECRET_KEY.encode()
    )

    key = by_counter(master, wrapped)

    assert by_counter(key, blob).decode() == f'{{"who":"{WHO}","said":"{SAID}"}}'


def by_counter(key: bytes, blob: bytes) -> bytes:
    counter = blob[:12] + (2).to_bytes(4, "big")
    opened = Cipher(algorithms.AES(key), modes.CTR(counter)).decryptor()
    return opened.update(blob[12:-16]) + opened.finalize()


def test_the_same_words_twice_have_nothing_in_common(north):
    one = file_text(actor=north.dispatcher, who=WHO, said=SAID)
    two = file_text(actor=north.dispatcher, who=WHO, said=SAID, person_id=one.person_id)

    assert one.hash != two.hash


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


def run(*words: str) -> str:
    out = io.StringIO()
    call_command("erase_person", *words, stdout=out)
    return out.getvalue()


def test_the_command_erases_a_person_and_says_what_to_keep(north, south):
    _, text = reported(north)
    person = str(text.person_id)

    with pytest.raises(CommandError, match="Nobody with this id"):
        run("--operator", south.operator.slug, "--yes", person)
    with pytest.raises(CommandError, match="no operator"):
        run("--operator", "no-such-operator", "--yes", person)
    said = run("--operator", north.operator.slug, "--yes", person)

    assert said.startswith(f"1 texts of {person} were erased for good.")
    with north.reading():
        assert personal.get_text(text.text_id).state == "erased"


def test_the_command_asks_first(north, monkeypatch):
    _, text = reported(north)
    words = ["--operator", north.operator.slug, str(text.person_id)]

    monkeypatch.setattr("builtins.input", lambda _: "no")
    with pytest.raises(CommandError, match="Nothing was erased"):
        run(*words)
    monkeypatch.setattr("builtins.input", lambda _: "yes")

    assert "erased for good" in run(*words)
