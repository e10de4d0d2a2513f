"""Sealing the log and verifying it; the whole list of tampering is a drill."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC
from uuid import UUID, uuid4

import psycopg
import pytest
from django.core.management import CommandError, call_command
from django.db import connections

from accounts import clock, jobs, tasks
from accounts.errors import NotFound
from accounts.tenancy import operator_scope
from servicing import log
from servicing.commands import seals as sealing
from servicing.commands.seals import seal
from servicing.models import Seal
from servicing.queries import seals
from servicing.queries.verifying import verify
from tests.api.callers import signed_in
from tests.benchmarks.log.batches import Phone


def append(cast, number):
    with operator_scope(cast.operator.id, durable=True):
        # Of a unit that is there: other tests rebuild whatever the log names.
        log.append(Phone(1, units=[cast.unit.id], cartridge_id=str(cast.cartridge.id)).events(number))


def stored(cast):
    with cast.reading():
        return list(Seal.objects.order_by("number"))


def verified(cast, *anchors):
    with cast.reading():
        return verify(anchors)


def kinds(found):
    return [(fault.number, fault.kind) for fault in found.faults]


def plainly(value):
    """The canonical form by the standard library."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


# Sealing


def test_full_blocks_are_sealed_and_the_rest_waits_until_it_is_fifteen_minutes_old(north, later):
    append(north, 2_101)
    clock.set_to(clock.now().replace(year=2026, month=1, day=5, hour=3))

    young = seal(actor=north.owner)
    clock.set_to(clock.now().replace(year=2026, month=6, day=15, hour=12))
    old = seal(actor=north.owner)
    again = seal(actor=north.owner)

    assert (young, old, again) == (2, 1, 0)
    assert [(one.number, one.count, one.total, one.reason) for one in stored(north)] == [
        (1, 1_024, 1_024, "full"),
        (2, 1_024, 2_048, "full"),
        (3, 53, 2_101, "age"),
    ]


def test_an_event_of_fourteen_minutes_waits_and_one_of_fifteen_does_not(north, later):
    north.upload(north.installed())
    later(minutes=14)
    waiting = seal(actor=north.owner)
    later(minutes=1)

    assert (waiting, seal(actor=north.owner)) == (0, 1)


def test_an_empty_log_is_not_sealed(north):
    assert seal(actor=north.owner, at_once=True) == 0
    with north.reading(), pytest.raises(NotFound):
        seals.get_anchor()


def test_each_seal_holds_the_hash_of_the_one_before_and_of_itself(north):
    for _ in range(3):
        north.upload(north.exchanged())
        seal(actor=north.owner, at_once=True)
    first, second, third = stored(north)

    assert bytes(first.previous_hash) == bytes(32)
    assert bytes(second.previous_hash) == bytes(first.seal_hash)
    assert bytes(third.previous_hash) == bytes(second.seal_hash)
    with north.reading():
        said = seals.seal_content(third)
    assert (
        hashlib.sha256(plainly({k: v for k, v in said.items() if k != "seal_hash"})).hexdigest()
        == said["seal_hash"]
    )


def test_the_entry_is_every_column_in_plain_canonical_json(north, superuser):
    north.upload(north.installed(), north.exchanged(touch=uuid4(), visit=uuid4()))
    with superuser.cursor(row_factory=psycopg.rows.dict_row) as cursor:
        rows = cursor.execute(
            "SELECT * FROM servicing_event WHERE operator_id = %s ORDER BY position", [north.operator.id]
        ).fetchall()
    with north.reading():
        leaves = [seals.leaf_of(north.operator.id, row) for row in log.events_after(0)]

    def as_json(value):
        if isinstance(value, UUID):
            return str(value)
        if isinstance(value, bytes):
            return value.hex()
        return value.astimezone(UTC).isoformat() if hasattr(value, "astimezone") else value

    assert leaves == [plainly({name: as_json(value) for name, value in row.items()}) for row in rows]
    assert len(rows) == 2


def test_one_run_of_the_job_does_a_bounded_number_of_blocks_and_owes_the_rest(north, monkeypatch):
    monkeypatch.setattr(sealing.seal_blocks, "__kwdefaults__", {"at_once": False, "most": 1})
    append(north, 2_100)
    with operator_scope(north.operator.id):
        jobs.enqueue(kind=tasks.SEAL, dedup_key="now")
    runs = []
    while due := [
        job
        for job in jobs.claim_due(1_000_000)
        if job.operator_id == north.operator.id and job.kind == tasks.SEAL
    ]:
        runs += [sealing.run_seal(job.operator_id, job.id) for job in due]

    assert runs == [True] * 4
    assert [one.count for one in stored(north)] == [1_024, 1_024, 52]


def test_every_operator_is_owed_its_seals_every_five_minutes(north, later):
    tasks.jobs.owe_everyone(kind=tasks.SEAL, slot="test")
    claimed = [job for job in jobs.claim_due(1_000_000) if job.operator_id == north.operator.id]

    assert [job.kind for job in claimed].count("servicing.tasks.seal") == 1
    assert tasks.QUEUES[tasks.SEAL] == "bulk"


# The table


def test_the_runtime_role_can_only_add_seals_and_the_owner_is_refused(north):
    north.upload(north.installed())
    seal(actor=north.owner, at_once=True)
    before = [bytes(one.seal_hash) for one in stored(north)]

    for statement in (
        "UPDATE servicing_seal SET count = 2",
        "DELETE FROM servicing_seal",
        "TRUNCATE servicing_seal",
    ):
        with (
            pytest.raises(Exception, match="permission denied"),
            operator_scope(north.operator.id),
            connections["default"].cursor() as cursor,
        ):
            cursor.execute(statement)
        with (
            pytest.raises(Exception, match="A seal does not change"),
            connections["migrate"].cursor() as cursor,
        ):
            cursor.execute(statement)

    assert [bytes(one.seal_hash) for one in stored(north)] == before


def test_an_operators_seals_are_its_own(north, south):
    south.upload(south.installed())
    seal(actor=south.owner, at_once=True)

    assert stored(north) == []
    assert len(stored(south)) == 1


# Verifying; the whole list of tampering is a drill


@pytest.fixture
def tampered(north, superuser):
    """Does something as a superuser with the guards off, verifies, and takes it back."""
    append(north, 1_500)
    seal(actor=north.owner, at_once=True)
    with north.reading():
        anchor = seals.get_anchor()
        positions = [row.position for row in log.events_after(0)]

    def do(statement, *values):
        tables = ("servicing_event", "servicing_seal")
        originals = [
            superuser.execute(f"SELECT * FROM {table} WHERE operator_id = %s", [north.operator.id]).fetchall()
            for table in tables
        ]
        switch = "ALTER TABLE {} {} TRIGGER USER"
        for table in tables:
            superuser.execute(switch.format(table, "DISABLE"))
        try:
            superuser.execute(statement, values)
            return verified(north), verified(north, anchor)
        finally:
            for table, rows in zip(tables, originals, strict=True):
                superuser.execute(f"DELETE FROM {table} WHERE operator_id = %s", [north.operator.id])
                marks = ", ".join(["%s"] * len(rows[0]))
                with superuser.cursor() as cursor:
                    cursor.executemany(
                        f"INSERT INTO {table} OVERRIDING SYSTEM VALUE VALUES ({marks})",
                        [
                            [psycopg.types.json.Jsonb(v) if isinstance(v, dict) else v for v in row]
                            for row in rows
                        ],
                    )
                superuser.execute(switch.format(table, "ENABLE ALWAYS").replace("USER", f"{table}_no_change"))
                superuser.execute(
                    switch.format(table, "ENABLE ALWAYS").replace("USER", f"{table}_no_truncate")
                )

    return north, positions, do


def test_an_untouched_log_is_as_sealed_and_says_what_is_not_covered(north):
    append(north, 1_500)
    seal(actor=north.owner, at_once=True)
    append(north, 1)
    with north.reading():
        anchor = seals.get_anchor()

    found = verified(north, anchor, {**anchor, "operator_id": str(uuid4())})

    assert (found.seals, found.events, found.unsealed, found.anchors, found.faults) == (2, 1_500, 1, 1, ())


def test_an_edit_is_named_with_its_place(tampered):
    north, positions, do = tampered

    alone, _ = do(
        "UPDATE servicing_event SET occurred_at = occurred_at + interval '1 day' WHERE position = %s",
        positions[7],
    )

    assert kinds(alone) == [(1, "edited")]
    assert f"position {positions[7]} " in alone.faults[0].detail
    assert verified(north).faults == ()


@pytest.mark.parametrize(
    ("statement", "place", "expected"),
    [
        ("DELETE FROM servicing_event WHERE position = %s", 1_100, (2, "removed")),
        ("DELETE FROM servicing_event WHERE position = %s", 1_499, (2, "cut")),
        ("UPDATE servicing_event SET recorded_at = now() WHERE position = %s", 3, (1, "changed")),
        ("UPDATE servicing_seal SET count = 1023 WHERE number = 1 AND %s > 0", 0, (1, "chain")),
        ("DELETE FROM servicing_seal WHERE number = 1 AND %s > 0", 0, (1, "chain")),
    ],
)
def test_other_changes_are_named_by_kind_and_first_block(tampered, statement, place, expected):
    _, positions, do = tampered

    alone, _ = do(statement, positions[place])

    assert kinds(alone)[0] == expected


def test_a_cut_end_with_its_seals_is_found_by_the_anchor_alone(tampered):
    _, positions, do = tampered

    alone, anchored = do(
        "WITH cut AS (DELETE FROM servicing_seal WHERE number = 2) DELETE FROM servicing_event WHERE position >= %s",
        positions[1_024],
    )

    assert alone.faults == ()
    assert kinds(anchored) == [(2, "anchor")]
    assert "the end was cut off" in anchored.faults[0].detail


def test_the_command_tells_and_ends_with_1(north, superuser, tmp_path, capsys):
    north.upload(north.installed())
    call_command("seal", "--operator", north.operator.slug, "--at-once")
    call_command("anchor", "--operator", north.operator.slug)
    printed = capsys.readouterr().out.splitlines()
    file = tmp_path / "anchors.jsonl"
    file.write_text(printed[-1] + "\n")

    call_command("verify_log", "--operator", north.operator.slug, "--anchor", str(file))
    good = capsys.readouterr().out
    file.write_text(json.dumps({**json.loads(printed[-1]), "root": "0" * 64}))
    with pytest.raises(CommandError) as refusal:
        call_command("verify_log", "--operator", north.operator.slug, "--anchor", str(file))

    assert printed[0] == f"{north.operator.slug}: 1 block sealed"
    assert (
        "is as sealed; 1 event under 1 seal, held against 1 anchor. Not covered: 0 events after the last seal."
        in good
    )
    assert refusal.value.returncode == 1
    assert "does not fit seal 1 (root)" in capsys.readouterr().out


@pytest.mark.parametrize("content", ["", "no json", '{"number": 1}'])
def test_a_file_that_holds_no_anchor_is_refused(north, tmp_path, content):
    file = tmp_path / "anchors.jsonl"
    file.write_text(content)

    with pytest.raises(CommandError, match="anchor"):
        call_command("verify_log", "--operator", north.operator.slug, "--anchor", str(file))


def test_the_seals_by_api_are_the_stored_ones(north):
    north.upload(north.installed())
    seal(actor=north.owner, at_once=True)

    (shown,) = signed_in(north).read("seals").json()["results"]

    assert shown["seal_hash"] == bytes(stored(north)[0].seal_hash).hex()
    assert shown["total"] == 1
