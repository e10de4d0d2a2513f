"""The tables of a new version beside the live ones: made like them, filled under the same policies, swapped, dropped.

All of this is the owner's business (the alias ``migrate``). Live tables, shadows and retired tables have the same names in
three schemas, so the code that folds into the one folds into the other: only the search path differs.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar
from uuid import UUID

from django.db import OperationalError, connection, connections, transaction
from psycopg import errors as postgres

from accounts import tenancy
from accounts.errors import Busy
from servicing.models import (
    Checkpoint,
    DueSegment,
    Finding,
    Outlook,
    Report,
    Standstill,
    UnitState,
    Visit,
)

OWNER = "migrate"
BUILDING = "wickround_building"
RETIRED = "wickround_retired"
DERIVED = (Finding, Report, Standstill, Visit, Outlook, DueSegment, UnitState)
TABLES = tuple(model._meta.db_table for model in (*DERIVED, Checkpoint))

# How long one attempt waits for a lock that others queue behind, and for how long attempts are made.
LOCK_WAIT_MS = 50
PATIENCE_SECONDS = 120
# Between attempts; drawn evenly up to this.
PAUSE_SECONDS = 0.2

T = TypeVar("T")


def in_short_locks(step: Callable[[Any], T], *, before_each: Callable[[], object] = lambda: None) -> T:
    """Do a step in a transaction of the owner's that never waits long for a lock; again and again until it gets them.

    Whoever queues behind a waiting lock waits with it, so an attempt gives up early and lets them pass.
    ``before_each`` runs outside the transaction, ahead of every attempt. Raises Busy when patience runs out.
    """
    gives_up_at = time.monotonic() + PATIENCE_SECONDS
    while True:
        before_each()
        try:
            with transaction.atomic(using=OWNER, durable=True), connections[OWNER].cursor() as cursor:
                cursor.execute(f"SET LOCAL lock_timeout = {LOCK_WAIT_MS}")
                return step(cursor)
        except OperationalError as fault:
            if not isinstance(fault.__cause__, postgres.LockNotAvailable | postgres.DeadlockDetected):
                raise
            if time.monotonic() > gives_up_at:
                raise Busy(
                    f"For {PATIENCE_SECONDS} seconds others held tables that the rebuild needs for a moment. "
                    "The live tables are as they were. Run it again when long reports and backups have ended."
                ) from fault
        time.sleep(PAUSE_SECONDS * secrets.randbelow(1_000) / 1_000)


def create() -> None:
    """Make empty shadows of the live tables; what an earlier rebuild left goes first."""
    drop()
    in_short_locks(_create)


def _create(cursor: Any) -> None:
    for table in TABLES:
        for statement in _create_sql(cursor, table):
            cursor.execute(statement)


def _create_sql(cursor: Any, table: str) -> list[str]:
    """Columns and checks as LIKE takes them; keys, indexes and grants from the catalogue, by their names."""
    live, shadow = f"public.{table}", f"{BUILDING}.{table}"
    statements = [
        f"CREATE TABLE {shadow} (LIKE {live} INCLUDING ALL EXCLUDING INDEXES)",
        # No vacuum holds a lock in the moment of the swap.
        f"ALTER TABLE {shadow} SET (autovacuum_enabled = false, toast.autovacuum_enabled = false)",
        *tenancy.isolation_sql(table, schema=BUILDING),
    ]
    cursor.execute(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
        "WHERE conrelid = %s::regclass AND contype IN ('p', 'u', 'x', 'f') ORDER BY contype = 'f', conname",
        [live],
    )
    statements += [
        f'ALTER TABLE {shadow} ADD CONSTRAINT "{name}" {definition}' for name, definition in cursor.fetchall()
    ]
    cursor.execute(
        "SELECT pg_get_indexdef(indexrelid) FROM pg_index WHERE indrelid = %s::regclass "
        "AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid) ORDER BY 1",
        [live],
    )
    statements += [sql.replace(f" ON {live} ", f" ON {shadow} ") for (sql,) in cursor.fetchall()]
    cursor.execute(
        "SELECT a.privilege_type, r.rolname FROM pg_class c, aclexplode(c.relacl) a JOIN pg_roles r ON r.oid = a.grantee "
        "WHERE c.oid = %s::regclass AND a.grantee <> c.relowner ORDER BY 2, 1",
        [live],
    )
    statements += [f"GRANT {privilege} ON {shadow} TO {role}" for privilege, role in cursor.fetchall()]
    return statements


def drop() -> None:
    """Drop what is in the schemas of building and retired tables."""
    in_short_locks(_drop)


def _drop(cursor: Any) -> None:
    cursor.execute(
        "SELECT c.oid::regclass::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE c.relkind = 'r' AND n.nspname IN (%s, %s) ORDER BY 1",
        [BUILDING, RETIRED],
    )
    tables = [name for (name,) in cursor.fetchall()]
    if not tables:
        return
    # Dropping a reference takes the table it points at for itself; all of them at once, or none.
    cursor.execute(
        "SELECT DISTINCT confrelid::regclass::text FROM pg_constraint "
        "WHERE contype = 'f' AND conrelid = ANY(%s::regclass[]) ORDER BY 1",
        [tables],
    )
    referenced = [name for (name,) in cursor.fetchall()]
    cursor.execute(f"LOCK TABLE {', '.join([*referenced, *tables])} IN ACCESS EXCLUSIVE MODE")
    cursor.execute(f"DROP TABLE {', '.join(tables)}")


def analyze() -> None:
    """Tell the planner what is in the shadows before anybody asks them."""
    with connections[OWNER].cursor() as cursor:
        for table in TABLES:
            cursor.execute(f"ANALYZE {BUILDING}.{table}")


@contextmanager
def filling(operator_id: UUID, *, lock_timeout_ms: int = 0) -> Iterator[None]:
    """A transaction of the operator's in which the derived tables are the shadows."""
    with tenancy.operator_scope(operator_id, durable=True, lock_timeout_ms=lock_timeout_ms):
        look_at_shadows()
        yield


def look_at_shadows() -> None:
    """From here to commit the names of derived tables mean the shadows. Fails if there are none: never the live ones."""
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL search_path = {BUILDING}, public")
        cursor.execute("SELECT %s::regclass = %s::regclass", [TABLES[0], f"{BUILDING}.{TABLES[0]}"])


# Where other readers of the log stand is not made anew.
_KEEP_CHECKPOINTS = f"""
INSERT INTO {BUILDING}.servicing_checkpoint SELECT * FROM public.servicing_checkpoint c WHERE NOT EXISTS (
    SELECT FROM {BUILDING}.servicing_checkpoint b WHERE b.operator_id = c.operator_id AND b.projection = c.projection
)
"""


def swap(cursor: Any) -> None:
    """In the owner's open transaction: the shadows become the live tables, and the live ones retire."""
    names = ", ".join(f"{schema}.{table}" for schema in ("public", BUILDING) for table in TABLES)
    statements = [
        f"LOCK TABLE {names} IN ACCESS EXCLUSIVE MODE",
        _KEEP_CHECKPOINTS,
        "SET CONSTRAINTS ALL IMMEDIATE",
    ]
    for table in TABLES:
        statements += [
            f"ALTER TABLE public.{table} SET SCHEMA {RETIRED}",
            f"ALTER TABLE {BUILDING}.{table} SET SCHEMA public",
            f"ALTER TABLE public.{table} RESET (autovacuum_enabled, toast.autovacuum_enabled)",
        ]
    # One way to the server: the tables are locked no longer than the server needs.
    cursor.execute("; ".join(statements))


def replace_rows(operator_id: UUID) -> int:
    """In the operator's open transaction: give its live rows the shadows' content. Returns how many rows differed.

    A row that is the same to the byte is not touched.
    """
    changed = 0
    with connection.cursor() as cursor:
        for model in DERIVED:
            table = model._meta.db_table
            live, shadow = f"public.{table} l", f"{BUILDING}.{table} s"
            same_key = " AND ".join(f"s.{field.column} = l.{field.column}" for field in model._meta.pk_fields)
            cursor.execute(
                f"DELETE FROM {live} WHERE l.operator_id = %s AND NOT EXISTS "
                f"(SELECT FROM {shadow} WHERE {same_key} AND s *= l)",
                [operator_id],
            )
            changed += cursor.rowcount
            cursor.execute(
                f"INSERT INTO public.{table} SELECT s.* FROM {shadow} WHERE s.operator_id = %s AND NOT EXISTS "
                f"(SELECT FROM {live} WHERE {same_key})",
                [operator_id],
            )
            changed += cursor.rowcount
        table = Checkpoint._meta.db_table
        cursor.execute(
            f"INSERT INTO public.{table} SELECT * FROM {BUILDING}.{table} WHERE operator_id = %s "
            "ON CONFLICT (operator_id, projection) DO UPDATE SET position = excluded.position",
            [operator_id],
        )
    return changed
