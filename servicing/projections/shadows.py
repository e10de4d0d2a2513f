"""The tables of a new version beside the live ones: made like them, filled under the same policies, swapped, emptied.

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


class TryAgain(Exception):
    """Raised by a step that would hold others up for too long."""


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
        except (OperationalError, TryAgain) as fault:
            waited = isinstance(fault.__cause__, postgres.LockNotAvailable | postgres.DeadlockDetected)
            if not (waited or isinstance(fault, TryAgain)):
                raise
            if time.monotonic() > gives_up_at:
                raise Busy(
                    f"For {PATIENCE_SECONDS} seconds others held tables that the rebuild needs for a moment. "
                    "The live tables are as they were. Run it again when long reports and backups have ended."
                ) from fault
        time.sleep(PAUSE_SECONDS * secrets.randbelow(1_000) / 1_000)


def create() -> None:
    """Empty shadows of the live tables: those of the last rebuild, where they are still made alike, else new ones.

    Making and dropping a reference locks the table it points at, which everybody uses; emptying a table does not.
    """
    in_short_locks(_bring_back)
    in_short_locks(_create)


def clear_away() -> None:
    """After a swap: the retired tables become the empty shadows of the next rebuild."""
    in_short_locks(_bring_back)


def _bring_back(cursor: Any) -> None:
    retired = _tables_in(cursor, RETIRED)
    if retired:
        _drop(cursor, [f"{BUILDING}.{table}" for table in _tables_in(cursor, BUILDING)])
        for table in retired:
            cursor.execute(f"ALTER TABLE {RETIRED}.{table} SET SCHEMA {BUILDING}")
            cursor.execute(f"TRUNCATE {BUILDING}.{table}")


def are_alike() -> bool:
    """Whether there are shadows, and they are made like the live tables."""
    with connections[OWNER].cursor() as cursor:
        return _are_alike(cursor)


def empty() -> None:
    """Whatever the shadows hold is gone."""

    def truncate(cursor: Any) -> None:
        if there := _tables_in(cursor, BUILDING):
            cursor.execute(f"TRUNCATE {', '.join(f'{BUILDING}.{table}' for table in there)}")

    in_short_locks(truncate)


def forget(operator_id: UUID) -> None:
    """In the operator's transaction of ``filling``: its rows in the shadows are gone."""
    with connection.cursor() as cursor:
        for model in DERIVED:
            cursor.execute(
                f"DELETE FROM {BUILDING}.{model._meta.db_table} WHERE operator_id = %s", [operator_id]
            )


def _are_alike(cursor: Any) -> bool:
    return sorted(_tables_in(cursor, BUILDING)) == sorted(TABLES) and all(
        _shape(cursor, "public", table) == _shape(cursor, BUILDING, table) for table in TABLES
    )


def _create(cursor: Any) -> None:
    there = _tables_in(cursor, BUILDING)
    alike = _are_alike(cursor)
    if alike:
        cursor.execute(f"TRUNCATE {', '.join(f'{BUILDING}.{table}' for table in TABLES)}")
    else:
        _drop(cursor, [f"{BUILDING}.{table}" for table in there])
    for table in TABLES:
        for statement in () if alike else _create_sql(cursor, table):
            cursor.execute(statement)
        # No vacuum holds a lock in the moment of the swap.
        cursor.execute(
            f"ALTER TABLE {BUILDING}.{table} SET (autovacuum_enabled = false, toast.autovacuum_enabled = false)"
        )


def _tables_in(cursor: Any, schema: str) -> list[str]:
    cursor.execute(
        "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = %s::regnamespace ORDER BY 1",
        [schema],
    )
    return [name for (name,) in cursor.fetchall()]


_SHAPE_SQL = """
WITH t AS (SELECT *, relnamespace::regnamespace::text || '.' AS schema FROM pg_class WHERE oid = %s::regclass)
SELECT 'column', row_number() OVER (ORDER BY attnum)::text, attname::text, format_type(atttypid, atttypmod),
    attnotnull::text, pg_get_expr(adbin, adrelid)
FROM t JOIN pg_attribute ON attrelid = t.oid AND attnum > 0 AND NOT attisdropped
    LEFT JOIN pg_attrdef ON adrelid = t.oid AND adnum = attnum
UNION ALL SELECT 'constraint', conname, pg_get_constraintdef(k.oid), convalidated::text, NULL, NULL
FROM t JOIN pg_constraint k ON conrelid = t.oid AND contype <> 'n'
UNION ALL SELECT 'index', replace(pg_get_indexdef(indexrelid), schema, ''), indisvalid::text, NULL, NULL, NULL
FROM t JOIN pg_index ON indrelid = t.oid
UNION ALL SELECT 'policy', polname, polcmd::text, polroles::text, pg_get_expr(polqual, polrelid),
    pg_get_expr(polwithcheck, polrelid)
FROM t JOIN pg_policy ON polrelid = t.oid
UNION ALL SELECT 'privilege', a.grantee::regrole::text, a.privilege_type, a.is_grantable::text, NULL, NULL
FROM t, aclexplode(t.relacl) a
UNION ALL SELECT 'table', t.relowner::regrole::text, relrowsecurity::text, relforcerowsecurity::text, NULL, NULL FROM t
ORDER BY 1, 2, 3, 4
"""


def _shape(cursor: Any, schema: str, table: str) -> list[tuple[Any, ...]]:
    """All that makes a table what it is but its rows, by names."""
    cursor.execute(_SHAPE_SQL, [f"{schema}.{table}"])
    return list(cursor.fetchall())


def _create_sql(cursor: Any, table: str) -> list[str]:
    """Columns and checks as LIKE takes them; keys, indexes and grants from the catalogue, by their names."""
    live, shadow = f"public.{table}", f"{BUILDING}.{table}"
    statements = [
        f"CREATE TABLE {shadow} (LIKE {live} INCLUDING ALL EXCLUDING INDEXES)",
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


def _drop(cursor: Any, tables: list[str]) -> None:
    if not tables:
        return
    cursor.execute(
        "SELECT DISTINCT confrelid::regclass::text FROM pg_constraint "
        "WHERE contype = 'f' AND conrelid = ANY(%s::regclass[]) ORDER BY 1",
        [tables],
    )
    referenced = [name for (name,) in cursor.fetchall()]
    cursor.execute(f"LOCK TABLE {', '.join([*referenced, *tables])} IN ACCESS EXCLUSIVE MODE")
    cursor.execute(f"DROP TABLE {', '.join(tables)}")


def make_ready() -> None:
    """Before the shadows go live: tell the planner what is in them, and let them be vacuumed again."""
    with connections[OWNER].cursor() as cursor:
        for table in TABLES:
            cursor.execute(f"ANALYZE {BUILDING}.{table}")
            cursor.execute(
                f"ALTER TABLE {BUILDING}.{table} RESET (autovacuum_enabled, toast.autovacuum_enabled)"
            )


@contextmanager
def filling(operator_id: UUID, *settings: str, lock_timeout_ms: int = 0) -> Iterator[None]:
    """A transaction of the operator's in which the derived tables are the shadows; ``settings`` are statements.

    Its commit does not wait for the disk: nothing of it counts before the swap commits, which waits for all before it.
    """
    with tenancy.operator_scope(operator_id, durable=True, lock_timeout_ms=lock_timeout_ms):
        look_at_shadows("SET LOCAL synchronous_commit = off", *settings)
        yield


def look_at_shadows(*settings: str) -> None:
    """From here to commit the names of derived tables mean the shadows. Fails if there are none: never the live ones."""
    statements = [
        *settings,
        f"SET LOCAL search_path = {BUILDING}, public",
        f"SELECT '{BUILDING}.{TABLES[0]}'::regclass",
    ]
    with connection.cursor() as cursor:
        cursor.execute("; ".join(statements))


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
        # Appends wait no longer than they must: whatever they commit afterwards reaches the disk behind the swap.
        "SET LOCAL synchronous_commit = off",
        f"LOCK TABLE {names} IN ACCESS EXCLUSIVE MODE",
        _KEEP_CHECKPOINTS,
        "SET CONSTRAINTS ALL IMMEDIATE",
    ]
    for table in TABLES:
        statements += [
            f"ALTER TABLE public.{table} SET SCHEMA {RETIRED}",
            f"ALTER TABLE {BUILDING}.{table} SET SCHEMA public",
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
