"""What tests of a rebuild share: acts in other threads, and what is really in and around the derived tables."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import UUID

from django.db import connections

from accounts import clock
from accounts.isolation.audit import audit
from servicing import log
from tests.cast import Cast

DERIVED = (
    "servicing_checkpoint",
    "servicing_duesegment",
    "servicing_finding",
    "servicing_outlook",
    "servicing_report",
    "servicing_standstill",
    "servicing_unitstate",
    "servicing_visit",
)
EMPTY_ASIDE = {f"wickround_building.{table}": 0 for table in DERIVED}


def apart(act: Callable[[], Any]) -> Any:
    """Do something in another thread, with connections of its own, and give back what came of it."""

    def and_close() -> Any:
        try:
            return act()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(and_close).result()


def when(line: str, act: Callable[[], Any]) -> Callable[[str], None]:
    """Act once, apart, as soon as a rebuild says that it has come to this."""
    waiting = [line]

    def say(said: str) -> None:
        if said in waiting:
            waiting.remove(said)
            apart(act)

    return say


def rows_of(superuser: Any, cast: Cast) -> dict[str, list[Any]]:
    """Every derived row of an operator with the place where it lies and who wrote it: equal only if nobody touched it."""
    return {
        table: superuser.execute(
            f"SELECT ctid::text, xmin::text, t::text FROM public.{table} t WHERE operator_id = %s ORDER BY 1",
            [cast.operator.id],
        ).fetchall()
        for table in DERIVED
    }


def contents_of(superuser: Any, cast: Cast) -> dict[str, list[str]]:
    return {
        table: sorted(row[2] for row in rows if table != "servicing_checkpoint")
        for table, rows in rows_of(superuser, cast).items()
    }


def shape_of(superuser: Any) -> dict[str, list[Any]]:
    """What the catalogue says of the live derived tables, by names and without their numbers."""
    questions = {
        "columns": "SELECT c.relname, attnum, attname, format_type(atttypid, atttypmod), attnotnull, attstorage::text "
        "FROM pg_attribute JOIN pg_class c ON c.oid = attrelid WHERE attnum > 0 AND NOT attisdropped AND attrelid = t.oid",
        "constraints": "SELECT conname, contype::text, convalidated, pg_get_constraintdef(oid) FROM pg_constraint "
        "WHERE conrelid = t.oid",
        "indexes": "SELECT pg_get_indexdef(indexrelid), indisprimary FROM pg_index WHERE indrelid = t.oid",
        "policies": "SELECT polname, polcmd::text, polroles::regrole[]::text, pg_get_expr(polqual, polrelid), "
        "pg_get_expr(polwithcheck, polrelid) FROM pg_policy WHERE polrelid = t.oid",
        "table": "SELECT relname, relowner::regrole::text, relrowsecurity, relforcerowsecurity, relacl::text, reloptions "
        "FROM pg_class WHERE oid = t.oid",
        "triggers": "SELECT tgfoid::regproc::text, tgtype, tgenabled::text FROM pg_trigger WHERE tgrelid = t.oid",
    }
    return {
        f"{table} {what}": superuser.execute(
            f"SELECT x.* FROM (SELECT 'public.{table}'::regclass AS oid) t CROSS JOIN LATERAL ({sql}) x ORDER BY x::text"
        ).fetchall()
        for what, sql in questions.items()
        for table in DERIVED
    }


def new_event(cast: Cast) -> log.NewEvent:
    """A check of the wick as the crew's phone would send it, ready to be appended."""
    sent = cast.event("wick.checked", cast.unit, condition="good")
    return log.NewEvent(
        event_id=UUID(sent["id"]),
        device_id=cast.phone.id,
        device_sequence=sent["device_sequence"],
        subject_kind="unit",
        subject_id=cast.unit.id,
        type=sent["type"],
        schema_version=1,
        occurred_at=clock.now(),
        received_at=clock.now(),
        actor_kind="device",
        actor_id=cast.phone.id,
        payload=sent["payload"],
    )


def aside(superuser: Any) -> dict[str, int]:
    """The tables that stand beside the live ones, and how many rows each has."""
    names = superuser.execute(
        "SELECT n.nspname || '.' || relname FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace "
        "WHERE n.nspname IN ('wickround_building', 'wickround_retired') AND relkind = 'r' ORDER BY 1"
    ).fetchall()
    return {name: superuser.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for (name,) in names}


def spoil(superuser: Any, cast: Cast) -> None:
    changed = superuser.execute(
        "UPDATE servicing_unitstate SET status = 'withdrawn' WHERE operator_id = %s AND unit_id = %s",
        [cast.operator.id, cast.unit.id],
    )
    assert changed.rowcount == 1


def gaps(superuser: Any) -> list[str]:
    with superuser.cursor() as cursor:
        return audit(cursor).gaps
