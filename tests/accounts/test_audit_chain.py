"""The chain of the audit: whatever somebody with the whole database changes is found, before a head that is kept elsewhere.

SHA-256 is held against the example of FIPS 180-4 ("abc", printed in NIST's example values for SHA-256; from memory).
"""

from __future__ import annotations

import hashlib
import io
import json
import logging
from contextlib import contextmanager
from uuid import UUID

import pytest
from django.core.management import CommandError, call_command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from accounts import auditing, jobs, queries, tenancy
from accounts.commands import auditing as checking
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.models import Job
from accounts.permissions import system_actor
from accounts.rules.audit_chain import NOTHING_BEFORE, Head, Kept, faults, hash_of
from tests.cast import new_cast

OPERATOR = UUID(int=7)


def chain(count: int = 3) -> list[Kept]:
    """Entries as the database makes them, made here by the rule as it is told."""
    made, previous = [], NOTHING_BEFORE
    for number in range(1, count + 1):
        columns = {"actor_name": f"Person {number}", "action": "looked"}
        about = '{"n": 1.50}'
        said = json.dumps({**columns, "operator": str(OPERATOR), "number": number, "about": None})
        said = said.replace("null", about)
        digest = hashlib.sha256(previous + said.encode()).digest()
        made.append(Kept(number, columns, about, said, previous, digest))
        previous = digest
    return made


def said_of(entries, **rest):
    return [(fault.number, fault.detail) for fault in faults(OPERATOR, entries, **rest)]


def test_the_hash_is_sha_256_of_the_hash_before_and_the_text():
    assert hash_of(b"a", "bc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_sound_chain_has_no_fault_from_its_beginning_or_from_any_entry_on():
    entries = chain(4)
    assert said_of(entries) == []
    assert said_of(entries[2:], after=Head(2, entries[1].hash)) == []
    assert said_of(entries, heads=[Head(2, entries[1].hash), Head(4, entries[3].hash)]) == []
    assert said_of([]) == []


def test_missing_swapped_and_doubled_entries_are_named():
    one, two, three = chain(3)
    assert said_of([one, three])[0] == (3, "follows entry 1: what stood between is missing.")
    assert said_of([two, one, three])[0][0] == 2
    assert said_of([one, one, two, three])[0][0] == 1
    assert said_of([two, three])[0] == (2, "follows entry 0: what stood between is missing.")


def test_a_number_changed_in_how_it_is_written_is_a_change():
    one = chain(1)[0]
    for about in ('{"n": 1.5}', '{"n": "1.50"}', '{"n": ["1.50"]}', '{"n": 1.50, "m": 1}', "no json"):
        changed = Kept(one.number, one.columns, about, one.said, one.previous_hash, one.hash)
        assert said_of([changed]) == [(1, "its columns are not what its text says.")]


def test_only_a_kept_head_shows_what_was_made_anew_or_taken_from_the_end():
    whole = chain(3)
    head = Head(3, whole[2].hash)
    anew = chain(3)
    anew[0] = Kept(1, {**anew[0].columns}, anew[0].about, anew[0].said, NOTHING_BEFORE, anew[0].hash)

    assert said_of(whole[:2]) == []
    assert said_of(whole[:2], heads=[head]) == [
        (3, "was kept elsewhere as the last one, and the entries end with 2.")
    ]
    assert said_of(whole, heads=[Head(2, bytes(32))]) == [
        (2, "is not the entry whose hash was kept elsewhere.")
    ]


@contextmanager
def unguarded(superuser):
    """As only a superuser or the table's owner can, with the guards switched off; all of it undone in the end."""
    with superuser.transaction(force_rollback=True):
        superuser.execute("ALTER TABLE accounts_auditentry DISABLE TRIGGER ALL")
        yield superuser


@pytest.fixture(scope="module")
def noted(database, django_db_blocker):
    """An operator with a few dozen entries, and the head of its audit."""
    with django_db_blocker.unblock():
        cast = new_cast("audited")
        with tenancy.writing(cast.owner):
            auditing.note(action="looked", kind="site", row_id=cast.site.id, page="ü/€", count=1, share=1.50)
        with tenancy.reading(cast.owner):
            found = queries.check_audit()
    assert not found.faults
    assert found.entries > 20
    return cast, found.head


COLUMNS = (
    "number",
    "at",
    "actor_kind",
    "actor_id",
    "actor_name",
    "address",
    "request_id",
    "door",
    "action",
    "kind",
    "row_id",
    "about",
    "said",
    "previous_hash",
    "hash",
    "operator_id",
)


def checked_as(superuser, cast, heads):
    """What the check finds in the superuser's open transaction, which nobody else sees."""
    from accounts.queries import audit

    with superuser.cursor() as cursor:
        cursor.execute(audit.ENTRIES_SQL, [str(cast.operator.id), None, None, 1_000_000])
        kept = [audit._kept_of(row) for row in cursor.fetchall()]
    return list(faults(cast.operator.id, kept, heads))


def flipped(value: bytes, place: int, bit: int) -> bytes:
    if not value:
        return b"x"
    at = place % len(value)
    return value[:at] + bytes([value[at] ^ (1 << bit)]) + value[at + 1 :]


@settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    database=None,
)
@given(
    spot=st.tuples(st.sampled_from(COLUMNS), st.integers(0, 10**6), st.integers(0, 10**6), st.integers(0, 7))
)
def test_any_bit_of_any_column_flipped_is_found(noted, superuser, spot):
    """Where PostgreSQL can't store the flipped value, such as a byte that is no UTF-8, nobody can have flipped it."""
    import psycopg

    cast, head = noted
    column, row, place, bit = spot
    number = 1 + row % head.number
    where = "WHERE operator_id = %s AND number = %s"
    with unguarded(superuser):
        kind, stored = superuser.execute(
            f"SELECT pg_typeof({column})::text, {column}::text FROM accounts_auditentry {where}",
            [cast.operator.id, number],
        ).fetchone()
        try:
            if stored is None:
                new = str(UUID(int=bit))
            elif kind == "bytea":
                new = "\\x" + flipped(bytes.fromhex(stored[2:]), place, bit).hex()
            elif kind == "uuid":
                new = str(UUID(bytes=flipped(UUID(stored).bytes, place, bit)))
            else:
                new = flipped(stored.encode(), place, bit).decode()
            superuser.execute(
                f"UPDATE accounts_auditentry SET {column} = %s::{kind} {where}",
                [new, cast.operator.id, number],
            )
            after = superuser.execute(
                f"SELECT {column}::text FROM accounts_auditentry {where}", [cast.operator.id, number]
            ).fetchone()
        except (UnicodeDecodeError, psycopg.Error):
            return
        # Such as a space in JSON that means nothing: what is stored is the same.
        assert (after is not None and after[0] == stored) or checked_as(superuser, cast, [head])


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM accounts_auditentry WHERE operator_id = %(operator)s AND number = 5",
        "DELETE FROM accounts_auditentry WHERE operator_id = %(operator)s AND number > %(last)s - 3",
        "DELETE FROM accounts_auditentry WHERE operator_id = %(operator)s",
        (
            "INSERT INTO accounts_auditentry SELECT (jsonb_populate_record(e, jsonb_build_object('number', %(last)s + 1))).* "
            "FROM accounts_auditentry e WHERE operator_id = %(operator)s AND number = 5"
        ),
        (
            "UPDATE accounts_auditentry e SET number = CASE number WHEN 5 THEN -6 ELSE 5 END "
            "WHERE operator_id = %(operator)s AND number IN (5, 6)"
        ),
        (
            "UPDATE accounts_auditentry SET about = '{}', said = replace(said, about::text, '{}') "
            "WHERE operator_id = %(operator)s AND number = 3"
        ),
    ],
    ids=["one removed", "the last removed", "all removed", "one added", "two swapped", "one rewritten"],
)
def test_what_is_removed_added_swapped_or_rewritten_is_found(noted, superuser, statement):
    cast, head = noted
    with unguarded(superuser):
        superuser.execute(statement, {"operator": cast.operator.id, "last": head.number})
        assert checked_as(superuser, cast, [head])
    assert not checked_as(superuser, cast, [head])


def test_a_chain_that_was_made_anew_is_found_by_a_head_alone(noted, superuser):
    cast, head = noted
    with unguarded(superuser):
        superuser.execute(
            "UPDATE accounts_auditentry SET actor_name = 'Nobody', said = jsonb_set(said::jsonb, '{actor_name}', '\"Nobody\"')::text "
            "WHERE operator_id = %s AND number = %s",
            [cast.operator.id, head.number],
        )
        superuser.execute(
            "UPDATE accounts_auditentry SET hash = sha256(previous_hash || convert_to(said, 'UTF8')) "
            "WHERE operator_id = %s AND number = %s",
            [cast.operator.id, head.number],
        )
        assert not checked_as(superuser, cast, [])
        assert [fault.number for fault in checked_as(superuser, cast, [head])] == [head.number]


def test_the_command_prints_a_head_and_later_holds_the_audit_against_it(noted, tmp_path, superuser):
    cast, _ = noted
    slug, heads = cast.operator.slug, io.StringIO()
    call_command("verify_audit", slug, print_head=True, stdout=heads, stderr=io.StringIO())
    (line,) = heads.getvalue().splitlines()
    assert json.loads(line)["operator_id"] == str(cast.operator.id)
    file, wrong = tmp_path / "heads.jsonl", tmp_path / "wrong.jsonl"
    file.write_text(line + "\n")
    wrong.write_text(json.dumps({**json.loads(line), "hash": "00" * 32}) + "\n")

    said = io.StringIO()
    call_command("verify_audit", slug, head=[file], stdout=said)
    assert "is as it was noted" in said.getvalue()
    assert "held against 1 head" in said.getvalue()

    said = io.StringIO()
    with pytest.raises(CommandError, match="not as they were noted"):
        call_command("verify_audit", slug, head=[wrong], stdout=said)
    assert "is not the entry whose hash was kept elsewhere" in said.getvalue()


@pytest.mark.parametrize("content", ["", "no json", '{"operator_id": "x", "number": 1, "hash": "00"}', "[]"])
def test_the_command_refuses_a_file_that_holds_no_heads(north, tmp_path, content):
    file = tmp_path / "heads"
    file.write_text(content)
    with pytest.raises(CommandError, match="head"):
        call_command("verify_audit", north.operator.slug, head=[file])
    with pytest.raises(CommandError, match="no operator"):
        call_command("verify_audit", "nobody-at-all")


def nightly(cast, key="2026-06-15", ref=""):
    with tenancy.writing(cast.owner):
        jobs.enqueue(kind=checking.CHECK, dedup_key=key, ref=ref)
        job_id = Job.objects.get(kind=checking.CHECK, dedup_key=key).id
    return checking.check_audit(cast.operator.id, job_id)


def test_each_night_the_audit_is_read_a_part_at_a_time(north, monkeypatch, caplog):
    monkeypatch.setattr(checking, "MOST_ENTRIES", 10)
    caplog.set_level(logging.INFO, "wickround.security")

    assert nightly(north)
    assert "audit_head" not in caplog.text
    done = set()
    while True:
        with tenancy.reading(north.owner):
            job = Job.objects.filter(kind=checking.CHECK, done_at=None).first()
        if job is None:
            break
        assert job.ref not in done
        done.add(job.ref)
        checking.check_audit(north.operator.id, job.id)

    assert len(done) >= 2
    assert f"audit_head operator={north.operator.id}" in caplog.text
    assert "audit_broken" not in caplog.text


def test_a_broken_audit_is_an_error_in_the_log(north, superuser, caplog):
    superuser.execute("ALTER TABLE accounts_auditentry DISABLE TRIGGER accounts_auditentry_no_change")
    try:
        superuser.execute(
            "UPDATE accounts_auditentry SET actor_name = 'Nobody' WHERE operator_id = %s AND number = 2",
            [north.operator.id],
        )
    finally:
        superuser.execute(
            "ALTER TABLE accounts_auditentry ENABLE ALWAYS TRIGGER accounts_auditentry_no_change"
        )

    nightly(north)

    (record,) = [record for record in caplog.records if record.name == "wickround.security"]
    assert record.levelno == logging.ERROR
    assert (
        f"operator={north.operator.id} entry=2 its columns are not what its text says." in record.getMessage()
    )


def test_every_operator_is_owed_the_check_once_a_night(north):
    from accounts import tasks

    assert checking.CHECK in tasks.QUEUES
    jobs.owe_everyone(kind=checking.CHECK, slot="2026-06-16")
    with tenancy.reading(system_actor(north.operator.id)):
        assert Job.objects.filter(kind=checking.CHECK, dedup_key="2026-06-16").count() == 1


def test_entries_of_one_operator_are_numbered_without_gaps_also_when_many_write_at_once(north):
    from concurrent.futures import ThreadPoolExecutor

    from django.db import connections

    def add(number):
        try:
            operators.add_crew(actor=north.owner, name=f"Crew {number} {uuid7()}")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(add, range(16)))
    with tenancy.reading(north.owner):
        assert not queries.check_audit().faults
        assert queries.audit_entries(kind="crew").count() >= 17
