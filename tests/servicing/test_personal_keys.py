"""Whoever holds only a part reads nothing: texts without keys, keys without the environment's, rows out of place."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from accounts.errors import BadInput
from config.embedded.binaries import find_programs
from servicing.commands.personal import erase_person, file_text, rewrap_keys
from servicing.queries import personal
from tests.servicing.quoting import OTHER_SAID, OTHER_WHO, SAID, WHO, reported

DOCUMENT = Path(__file__).resolve().parent.parent.parent / "docs" / "personal-text.md"


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


def test_the_dump_that_the_documents_print_holds_the_texts_and_no_key(north, superuser, database):
    _, text = reported(north)
    key, blob = (
        part.hex()
        for part in superuser.execute(
            "SELECT k.wrapped_key, t.ciphertext FROM servicing_personkey k JOIN servicing_personaltext t "
            "USING (operator_id, person_id) WHERE t.text_id = %s",
            [text.text_id],
        ).fetchone()
    )
    words = next(
        line.split()
        for line in DOCUMENT.read_text().splitlines()
        if line.startswith("pg_dump") and "exclude" in line
    )
    options = [word for word in words[1:-1] if not word.startswith(("--file", "--format"))]

    dump = dumped(database, *options)

    assert (blob in dump, key in dump) == (True, False)
    assert key in dumped(database, "--data-only", "--table=servicing_personkey")
    assert (WHO in dump, SAID in dump) == (False, False)


def dumped(database, *options):
    program = find_programs().psql.with_name("pg_dump")
    return subprocess.run(
        [program, *options, database.superuser_url], capture_output=True, text=True, check=True
    ).stdout


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
