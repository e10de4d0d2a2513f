"""Is the process alive, and is what it stands on as it must be?"""

from __future__ import annotations

import logging

from django.db import DatabaseError, connection, connections
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse

from accounts.tenancy import APP_ROLE, SYSTEM_ROLE
from accounts.tenancy.standing import above_isolation

log = logging.getLogger(__name__)


def healthz(request: HttpRequest) -> HttpResponse:
    return HttpResponse("alive\n", content_type="text/plain")


def readyz(request: HttpRequest) -> HttpResponse:
    """200 when everything holds; else 503 with the names of what does not."""
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
        cursor.execute("SELECT current_setting('synchronous_commit') = 'off'")
        (may_lose_writes,) = cursor.fetchone()
        wrong = above_isolation(cursor, APP_ROLE)
    with connections["system"].cursor() as cursor:
        wrong += above_isolation(cursor, SYSTEM_ROLE)
    executor = MigrationExecutor(connection)
    pending = executor.migration_plan(executor.loader.graph.leaf_nodes())
    checks = {"role": bool(wrong), "durability": may_lose_writes, "migrations": bool(pending)}
    return [name for name, wrong in checks.items() if wrong]
