"""The end of an operator: its doors are shut, then every row of it is deleted, by whoever runs the service.

As the tables' owner, whom no guard of the log or of documents lets change anything: each short transaction switches the
triggers of one table off, deletes some rows of the one operator, and switches them on again before it ends. Nobody else
ever sees them off. What is deleted is told to no feed and stands in no audit, since both go too.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db import OperationalError, connections, transaction
from psycopg import errors as postgres

from accounts import clock, queries, tenancy
from accounts.errors import Busy, Conflict
from accounts.languages import _
from accounts.models import Closing
from accounts.permissions import system_actor
from accounts.queries import catalogue
from accounts.queries.catalogue import Stored

log = logging.getLogger("wickround.security")

OWNER = "migrate"
# Everybody else who writes to a table waits while a transaction deletes from it: so it takes as many rows as that allows.
FEWEST_ROWS, MOST_ROWS = 50, 5_000
SHORT_SECONDS, LONG_SECONDS = 0.05, 0.15
LOCK_WAIT_MS = 50
PATIENCE_SECONDS = 120
PAUSE_SECONDS = 0.2
# By what anybody gets in without being a member, and what ends it. Nothing of it is deleted yet: another file may be made.
KEYS = {
    "accounts_accesstoken": "revoked_at",
    "accounts_clientsecret": "ends_at",
    "accounts_machineclient": "revoked_at",
    "accounts_supportgrant": "ended_at",
    "servicing_recordlink": "revoked_at",
}
_ON = {"O": "ENABLE TRIGGER", "A": "ENABLE ALWAYS TRIGGER", "R": "ENABLE REPLICA TRIGGER"}


@dataclass(slots=True)
class Emptied:
    """How many rows went, by table, and how many people who worked for nobody else."""

    rows: dict[str, int] = field(default_factory=dict)
    people: int = 0


@dataclass(slots=True)
class _Pace:
    """How many rows the next transaction deletes, by how long the last ones took."""

    rows: int = 400

    def took(self, seconds: float) -> None:
        if seconds > LONG_SECONDS:
            self.rows = max(FEWEST_ROWS, self.rows // 2)
        elif seconds < SHORT_SECONDS:
            self.rows = min(MOST_ROWS, self.rows * 2)


def due_closing(operator_id: UUID) -> Closing:
    """The closing by which an operator may be deleted today. Conflict when no owner asked for it, or it is not due yet."""
    with tenancy.reading(system_actor(operator_id)):
        closing, operator = queries.closing_asked(), queries.get_operator()
    if closing is None:
        raise Conflict(_("No owner asked for {slug} to be closed.", slug=operator.slug))
    if clock.today(operator.zone) < closing.due_on:
        raise Conflict(
            _("{slug} may be closed from {day} on, not before.", slug=operator.slug, day=closing.due_on)
        )
    return closing


@contextmanager
def one_closing_at_a_time(operator_id: UUID) -> Iterator[None]:
    """Conflict when another run is at it."""
    name = [f"closing/{operator_id}"]
    with connections[OWNER].cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(hashtextextended(%s, 0))", name)
        if not cursor.fetchone()[0]:
            raise Conflict(_("This operator is being closed at this moment."))
        try:
            yield
        finally:
            cursor.execute("SELECT pg_advisory_unlock(hashtextextended(%s, 0))", name)


def shut(operator_id: UUID, *, heads: tuple[int, int]) -> None:
    """Let nobody in any more. Conflict when something was written since the file was made.

    ``heads``: how far log and audit had come in that file.
    """

    def step(cursor: Any) -> None:
        plan, now = catalogue.plan(cursor), clock.now()
        _wait_for_writers(cursor, operator_id)
        _refuse_written_since(cursor, operator_id, heads)
        with _unguarded(cursor, [plan.table(name) for name in ("accounts_member", *KEYS)]):
            cursor.execute(
                "UPDATE accounts_member SET is_active = false, invited_at = NULL WHERE operator_id = %s",
                [operator_id],
            )
            for table, ended in KEYS.items():
                cursor.execute(
                    f"UPDATE {table} SET {ended} = %(now)s "
                    f"WHERE operator_id = %(id)s AND ({ended} IS NULL OR {ended} > %(now)s)",
                    {"now": now, "id": operator_id},
                )

    _in_short_locks(step)
    log.warning("operator_shut operator=%s", operator_id)


def note_written_out(operator_id: UUID, *, heads: tuple[int, int], digest: str) -> None:
    """Note which file holds everything: from here on it may be deleted. Conflict when something was written since.

    After the doors are shut, once requests that were let in before have ended. ``heads``: how far log and audit had come in
    the file; ``digest``: its SHA-256, hexadecimal.
    """

    def step(cursor: Any) -> None:
        _wait_for_writers(cursor, operator_id)
        _refuse_written_since(cursor, operator_id, heads)
        with _unguarded(cursor, [catalogue.plan(cursor).table("accounts_closing")]):
            cursor.execute(
                "UPDATE accounts_closing SET exported_at = %s, export_digest = %s "
                "WHERE operator_id = %s AND withdrawn_at IS NULL",
                [clock.now(), digest, operator_id],
            )
            if not cursor.rowcount:
                raise Conflict(_("The closing was withdrawn."))

    _in_short_locks(step)


def empty(operator_id: UUID, tell: Callable[[str, int], None] = lambda _table, _rows: None) -> Emptied:
    """Delete every row of the operator for good, and the people who work for nobody else. May be interrupted and run again.

    ``tell`` gets each table's name and its rows once they are gone. Conflict before a file is noted.
    """
    emptied = Emptied()
    with connections[OWNER].cursor() as cursor:
        plan = catalogue.plan(cursor)
        cursor.execute(
            "SELECT 1 FROM accounts_closing WHERE operator_id = %s AND withdrawn_at IS NULL AND exported_at IS NOT NULL",
            [operator_id],
        )
        if cursor.fetchone() is None:
            raise Conflict(_("Nothing is deleted before everything was written out."))
    for table in plan.first:
        emptied.rows[table.name] = _empty_table(table, operator_id)
        tell(table.name, emptied.rows[table.name])
    _in_short_locks(lambda cursor: _end(cursor, operator_id, emptied))
    log.warning("operator_deleted operator=%s rows=%d", operator_id, sum(emptied.rows.values()))
    return emptied


def left(operator_id: UUID) -> dict[str, int]:
    """How many rows of an operator are still there, by table; empty when all are gone."""
    with transaction.atomic(using=OWNER), connections[OWNER].cursor() as cursor:
        counted = {
            table.name: catalogue.count(cursor, table, operator_id) for table in catalogue.plan(cursor).all
        }
    return {name: rows for name, rows in counted.items() if rows}


def _in_short_locks(step: Callable[..., Any]) -> Any:
    """Do a step in a transaction of the owner's that waits for no lock long: whoever queues behind it would wait too."""
    gives_up_at = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            with transaction.atomic(using=OWNER, durable=True), connections[OWNER].cursor() as cursor:
                cursor.execute(f"SET LOCAL lock_timeout = {LOCK_WAIT_MS}")
                return step(cursor)
        except OperationalError as fault:
            if not isinstance(fault.__cause__, postgres.LockNotAvailable | postgres.DeadlockDetected):
                raise
            if time.monotonic() > gives_up_at:
                raise Busy(
                    _("Others held the tables for too long. Run this again; it goes on where it stopped.")
                ) from fault
        time.sleep(PAUSE_SECONDS * secrets.randbelow(1_000) / 1_000)


@contextmanager
def _unguarded(cursor: Any, tables: Sequence[Stored]) -> Iterator[None]:
    """With the triggers of these tables off, to the end of the block at the most: then each is as it was."""
    for table in tables:
        for trigger, _mode in table.triggers:
            cursor.execute(f'ALTER TABLE {table.sql} DISABLE TRIGGER "{trigger}"')
    yield
    # References that are checked at the commit are checked now: a table that is still to be checked can't be altered.
    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    for table in tables:
        for trigger, mode in table.triggers:
            cursor.execute(f'ALTER TABLE {table.sql} {_ON[mode]} "{trigger}"')


def _empty_table(table: Stored, operator_id: UUID) -> int:
    """Every row of the operator in a table, bit by bit; gives how many there were."""
    pace, rows = _Pace(), 0

    def step(cursor: Any) -> int:
        began = time.monotonic()
        gone = _delete_some(cursor, table, operator_id, pace.rows)
        pace.took(time.monotonic() - began)
        return gone

    while gone := _in_short_locks(step):
        rows += gone
    return rows


def _delete_some(cursor: Any, table: Stored, operator_id: UUID, most: int) -> int:
    """Some rows of a table that no other row of it refers to. Conflict when there are rows and all are referred to."""
    if not catalogue.has_rows(cursor, table, operator_id):
        return 0
    with _unguarded(cursor, [table]):
        gone = catalogue.delete_some(cursor, table, operator_id, most)
    if not gone:
        raise Conflict(_("Rows of {table} refer to each other in a ring.", table=table.name))
    return gone


def _end(cursor: Any, operator_id: UUID, emptied: Emptied) -> None:
    """The operator itself, who worked for it, and whatever was owed to it meanwhile: all at once, so that none is forgotten."""
    # From here on nothing can be added for it: every row refers to the operator's.
    cursor.execute("SELECT 1 FROM accounts_operator WHERE id = %s FOR UPDATE", [operator_id])
    cursor.execute("SELECT user_id FROM accounts_member WHERE operator_id = %s", [operator_id])
    people = [user_id for (user_id,) in cursor.fetchall()]
    for table in catalogue.plan(cursor).all:
        while gone := _delete_some(cursor, table, operator_id, MOST_ROWS):
            emptied.rows[table.name] = emptied.rows.get(table.name, 0) + gone
    emptied.people = catalogue.delete_people(cursor, people)


def _wait_for_writers(cursor: Any, operator_id: UUID) -> None:
    """Whoever writes to the log or to what is audited holds one of these until it is stored."""
    cursor.execute(
        "SELECT pg_advisory_xact_lock(hashtextextended(%(id)s, 0)), "
        "pg_advisory_xact_lock(hashtextextended('changes/' || %(id)s, 0))",
        {"id": str(operator_id)},
    )


def _refuse_written_since(cursor: Any, operator_id: UUID, heads: tuple[int, int]) -> None:
    cursor.execute(
        "SELECT coalesce((SELECT max(position) FROM servicing_event WHERE operator_id = %(operator)s), 0), "
        "coalesce((SELECT max(number) FROM accounts_auditentry WHERE operator_id = %(operator)s), 0)",
        {"operator": operator_id},
    )
    if cursor.fetchone() != heads:
        raise Conflict(
            _("Something was written after the file was made. Move that file away and run this again.")
        )
