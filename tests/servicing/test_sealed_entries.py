"""What is stored of a site's codes: sealed for one row by a key of the environment, and readable nowhere else."""

from __future__ import annotations

import logging

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.db import ProgrammingError
from django.views.debug import ExceptionReporter

from accounts import tenancy
from accounts.errors import BadInput, Conflict
from servicing.commands.entries import reseal_codes, strike_code
from servicing.models import EntrySecret, EntryShowing
from servicing.queries import entries
from tests.servicing.coded import CODE, kept, planned, show


def test_no_table_of_the_database_and_no_log_line_holds_a_code(north, superuser, caplog):
    caplog.set_level(logging.DEBUG)
    row = kept(north)
    planned(north)
    show(north, row)
    strike_code(
        actor=north.dispatcher, site_id=north.site.id, code_id=kept(north, "Alarm", "Linde 4711 West").id
    )

    found = everything_stored(superuser)

    assert str(row.id) in found  # so a row of it is there
    for code in (CODE, "Linde 4711 West"):
        assert code not in found
        assert code.encode().hex() not in found
        assert code not in caplog.text


def everything_stored(superuser):
    """Every row of every table as text; what is binary as hex."""
    names = superuser.execute(
        "SELECT format('%I.%I', schemaname, tablename) FROM pg_tables WHERE schemaname = 'public'"
    ).fetchall()
    assert len(names) > 60
    rows = [superuser.execute(f"SELECT t::text FROM {name} t").fetchall() for (name,) in names]
    return "\n".join(one for table in rows for (one,) in table)


def test_a_code_moved_to_another_row_or_changed_is_not_shown(north, south, superuser):
    first, second = kept(north), kept(north, "Alarm", "Linde 4711 West")
    theirs = kept(south)
    planned(north)
    copy = "UPDATE servicing_entrysecret SET sealed = (SELECT sealed FROM servicing_entrysecret WHERE id = %s) WHERE id = %s"
    for source in (second.id, theirs.id):
        superuser.execute(copy, [source, first.id])
        with pytest.raises(Conflict, match="set it anew"):
            show(north, first)
    superuser.execute(
        "UPDATE servicing_entrysecret SET sealed = set_byte(sealed, 20, get_byte(sealed, 20) # 1) WHERE id = %s",
        [second.id],
    )

    with pytest.raises(Conflict, match="set it anew"):
        show(north, second)

    with north.reading():
        assert entries.showings_at(north.site.id) == []


def test_without_the_key_of_the_environment_nothing_is_shown_and_with_a_new_one_all_is(
    north, south, settings
):
    row, other = kept(north), kept(south)
    struck = kept(north, "Alarm")
    strike_code(actor=north.dispatcher, site_id=north.site.id, code_id=struck.id)
    planned(north)
    before, settings.TEXT_KEY = settings.SECRET_KEY, "a new random text of more than 32 characters"
    with pytest.raises(Conflict, match="set it anew"):
        show(north, row)
    with pytest.raises(BadInput, match="1 of 1 codes"):
        reseal_codes(actor=north.owner)

    settings.TEXT_KEY_BEFORE = before
    assert show(north, row).code == CODE
    assert reseal_codes(actor=north.owner) == 1
    settings.TEXT_KEY_BEFORE = ""

    assert show(north, row).code == CODE
    planned(south)
    with pytest.raises(Conflict):  # whose turn has not come
        show(south, other)


def test_another_hand_opens_it_by_the_standards(north, superuser, settings):
    """HKDF (RFC 5869), and AES-256 in counter mode from GCM's first counter block (NIST SP 800-38D section 7.1)."""
    row = kept(north)
    blob = superuser.execute("SELECT sealed FROM servicing_entrysecret WHERE id = %s", [row.id]).fetchone()[0]
    words = (settings.TEXT_KEY or settings.SECRET_KEY).encode()
    key = HKDF(hashes.SHA256(), 32, None, b"wickround sealing 1: entry code").derive(words)

    opened = Cipher(algorithms.AES(key), modes.CTR(blob[:12] + (2).to_bytes(4, "big"))).decryptor()

    assert (opened.update(blob[12:-16]) + opened.finalize()).decode() == CODE


def test_showings_are_only_added_to(north):
    planned(north)
    show(north, kept(north))

    for act in (lambda rows: rows.update(name="x"), lambda rows: rows._raw_delete("default")):
        with pytest.raises(ProgrammingError, match="permission denied"), tenancy.writing(north.owner):
            act(EntryShowing.objects.all())
    with pytest.raises(ProgrammingError, match="permission denied"), tenancy.writing(north.owner):
        EntrySecret.objects.all()._raw_delete("default")


@pytest.mark.parametrize("act", ["set", "show"])
def test_no_report_of_an_error_holds_a_code(north, monkeypatch, act):
    """As Django's reporter would mail or print it, with the local names of every frame from the command on."""
    row = kept(north, "Alarm")
    planned(north)

    def fail(*_given, **_named):
        raise RuntimeError("no room on the disk")

    def failing_seal(key, nonce, about, _plain):
        del _plain
        fail()

    monkeypatch.setattr("servicing.commands.entries.auditing.note", fail)
    monkeypatch.setattr("accounts.queries.sealing.sealing.seal", failing_seal)
    with pytest.raises(RuntimeError) as failed:
        kept(north) if act == "set" else show(north, row)
    trace = failed.value.__traceback__
    while trace is not None and "sensitive_variables" not in trace.tb_frame.f_code.co_name:
        trace = trace.tb_next

    told = ExceptionReporter(None, RuntimeError, failed.value, trace).get_traceback_html()

    assert f"{act}_code" in told
    assert str(north.site.id) in told
    assert CODE not in told
