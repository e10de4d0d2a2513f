"""Nobody changes or removes an event: the runtime role lacks the privilege, and triggers stop the owner too."""

from __future__ import annotations

from typing import Any

import psycopg
import pytest
from django.db import ProgrammingError, connections, transaction

from accounts.tenancy import operator_scope

INSERT_AGAIN = """
INSERT INTO servicing_event (operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type,
    schema_version, occurred_at, received_at, actor_kind, payload, content_hash)
SELECT operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version, occurred_at,
    received_at, actor_kind, payload, content_hash FROM servicing_event
"""


@pytest.fixture
def log(north, superuser) -> Any:
    """Two events of the north; gives what the log holds of them, read by someone whom nothing hides."""
    fates = north.upload(north.installed(), north.exchanged())
    assert [fate.fate for fate in fates] == ["accepted", "accepted"]
    return lambda: superuser.execute(
        "SELECT * FROM servicing_event WHERE operator_id = %s ORDER BY position", [north.operator.id]
    ).fetchall()


def as_app(north: Any, statement: str, using: str = "default") -> int:
    with operator_scope(north.operator.id, using=using), connections[using].cursor() as cursor:
        cursor.execute(statement)
        return cursor.rowcount


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE servicing_event SET type = 'level.read'",
        "UPDATE servicing_event SET type = 'level.read' WHERE false",
        "DELETE FROM servicing_event",
        "TRUNCATE servicing_event",
        INSERT_AGAIN + "ON CONFLICT (operator_id, event_id) DO UPDATE SET type = 'level.read'",
        "SELECT * FROM servicing_event FOR UPDATE",
        "SELECT * FROM servicing_event FOR KEY SHARE",
        "MERGE INTO servicing_event USING (SELECT 1) AS one ON true WHEN MATCHED THEN UPDATE SET type = 'level.read'",
        "MERGE INTO servicing_event USING (SELECT 1) AS one ON true WHEN MATCHED THEN DELETE",
        "LOCK TABLE servicing_event IN EXCLUSIVE MODE",
        "INSERT INTO servicing_event (operator_id, position) OVERRIDING SYSTEM VALUE SELECT operator_id, 1 FROM servicing_event",
        "INSERT INTO servicing_event (operator_id, recorded_at) SELECT operator_id, now() FROM servicing_event",
        "COPY servicing_event FROM STDIN",
    ],
)
def test_the_runtime_role_may_only_add(north, log, statement):
    before = log()

    with pytest.raises(ProgrammingError) as refusal:
        as_app(north, statement)

    assert isinstance(refusal.value.__cause__, psycopg.errors.InsufficientPrivilege)
    assert log() == before


def test_the_runtime_role_may_read_and_may_add_what_is_there_without_effect(north, log):
    before = log()

    assert as_app(north, "SELECT * FROM servicing_event") == 2
    assert as_app(north, INSERT_AGAIN + "ON CONFLICT DO NOTHING") == 0

    assert log() == before


def test_the_runtime_role_can_not_switch_the_triggers_off(north, log):
    with pytest.raises(ProgrammingError, match="must be owner"):
        as_app(north, "ALTER TABLE servicing_event DISABLE TRIGGER ALL")
    with pytest.raises(ProgrammingError, match="permission denied to set parameter"):
        as_app(north, "SET LOCAL session_replication_role = replica")


def test_the_system_role_has_no_part_in_the_log(north, log):
    with pytest.raises(ProgrammingError, match="permission denied for table servicing_event"):
        as_app(north, "SELECT * FROM servicing_event", using="system")


def as_replica(superuser: psycopg.Connection[Any], statement: str) -> None:
    with superuser.transaction():
        superuser.execute("SET LOCAL session_replication_role = replica")
        superuser.execute(statement)


CHANGES = [
    "UPDATE servicing_event SET type = 'level.read'",
    "UPDATE servicing_event SET type = 'level.read' WHERE false",
    "DELETE FROM servicing_event",
    "TRUNCATE servicing_event",
    "MERGE INTO servicing_event USING (SELECT 1) AS one ON true WHEN MATCHED THEN DELETE",
    INSERT_AGAIN + "ON CONFLICT (operator_id, event_id) DO UPDATE SET type = 'level.read'",
]


@pytest.mark.parametrize("statement", CHANGES)
def test_the_owner_is_refused_by_a_trigger(north, log, statement):
    before = log()

    with (
        pytest.raises(ProgrammingError, match="The service-event log is append only"),
        transaction.atomic(using="migrate"),
        connections["migrate"].cursor() as cursor,
    ):
        cursor.execute(statement)

    assert log() == before


@pytest.mark.parametrize("statement", CHANGES)
def test_a_superuser_is_refused_even_as_a_replica(north, log, superuser, statement):
    before = log()

    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="The service-event log is append only"):
        as_replica(superuser, statement)

    assert log() == before


def test_only_the_triggers_stand_between_the_owner_and_the_log(north, log, superuser):
    """The counter-check: with the triggers off the same statement does remove rows, so the refusals mean something."""
    before = log()

    with superuser.transaction(force_rollback=True):
        superuser.execute("ALTER TABLE servicing_event DISABLE TRIGGER USER")
        superuser.execute("SET LOCAL ROLE wickround_owner")
        removed = superuser.execute(
            "DELETE FROM servicing_event WHERE operator_id = %s", [north.operator.id]
        ).rowcount

    assert removed == 2
    assert log() == before
