"""Is the process alive, and is what it stands on as it must be?"""

from __future__ import annotations

import logging

from django.db import DatabaseError, connection, connections
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse

from accounts.tenancy import APP_ROLE, SYSTEM_ROLE
from accounts.tenancy.standing import above_isolation

log = logging.getLogger(__name__)

# Without one of them an answer does not mean stored: a commit that waits for no disk, a disk that nobody waits for, a
# page half written when the power went.
DURABLE = ("synchronous_commit", "fsync", "full_page_writes")


def healthz(request: HttpRequest) -> HttpResponse:
    return HttpResponse("alive\n", content_type="text/plain")


def readyz(request: HttpRequest) -> HttpResponse:
    """200 when everything holds; else 503 with the names of what does not. Cheap enough to be asked every few seconds."""
    try:
        wrong = unready()
    except DatabaseError:
        log.exception("readyz")
        wrong = ["database"]
    text = "ready\n" if not wrong else "not ready: " + ", ".join(wrong) + "\n"
    return HttpResponse(text, content_type="text/plain", status=503 if wrong else 200)


def unready() -> list[str]:
    """What does not hold: ``role`` (isolation binds it), ``durability`` (an answer means stored), ``migrations``."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT bool_or(current_setting(name) = 'off') FROM unnest(%s::text[]) AS name", [list(DURABLE)]
        )
        (may_lose_writes,) = cursor.fetchone()
        wrong = above_isolation(cursor, APP_ROLE)
        cursor.execute("SELECT count(*), max(id) FROM django_migrations")
        applied = cursor.fetchone()
    with connections["system"].cursor() as cursor:
        wrong += above_isolation(cursor, SYSTEM_ROLE)
    checks = {"role": bool(wrong), "durability": may_lose_writes, "migrations": _is_pending(applied)}
    return [name for name, wrong in checks.items() if wrong]


class _Known:
    """What was applied when nothing was pending: while it is the same, nothing is, for this code never changes."""

    applied: tuple[int, int] | None = None


def _is_pending(applied: tuple[int, int]) -> bool:
    """Whether this code knows a migration that was not applied. What newer code applied besides does no harm."""
    if applied == _Known.applied:
        return False
    executor = MigrationExecutor(connection)
    pending = bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))
    _Known.applied = None if pending else applied
    return pending
