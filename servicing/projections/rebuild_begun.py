"""A rebuild of everything that is begun: of which code, since when, and what of it is made. One that broke off is gone on with."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID

from django.db import connections

from accounts import clock
from accounts.errors import Conflict
from servicing.projections import shadows
from servicing.projections.folding import PROJECTION

# Jobs that were done are forgotten after a week, and with them what was refreshed since a rebuild began.
OLDEST_RESUMED = timedelta(days=6)


@dataclass(frozen=True, slots=True)
class Made:
    """A rebuild of everything that is begun, and of which operators everything is made up to a position."""

    version: int
    started_at: datetime
    whole: frozenset[UUID] = frozenset()


def begun() -> Made:
    """A new one, with empty shadows."""
    now = clock.now()
    shadows.create()
    forget_version()
    with connections[shadows.OWNER].cursor() as cursor:
        cursor.execute(
            "INSERT INTO servicing_projectionversion (version, state, code_hash, started_at) "
            "SELECT coalesce(max(version), 0) + 1, 'building', %s, %s FROM servicing_projectionversion RETURNING version",
            [code_hash(), now],
        )
        return Made(int(cursor.fetchone()[0]), now)


def building() -> tuple[int, str, datetime] | None:
    """Version, code and beginning of the one that is begun."""
    with connections[shadows.OWNER].cursor() as cursor:
        cursor.execute(
            "SELECT version, code_hash, started_at FROM servicing_projectionversion WHERE state = 'building'"
        )
        return cursor.fetchone()


def taken_up() -> Made:
    """The rebuild that broke off. An operator's checkpoint is the last that is written of it, so it says what is whole."""
    found = building()
    if found is None or not shadows.are_alike():
        raise Conflict("No rebuild has broken off that could be gone on with. Begin a new one.")
    version, code, started_at = found
    if code != code_hash():
        raise Conflict("The rebuild that broke off was made by other code. Begin a new one.")
    if clock.now() - started_at > OLDEST_RESUMED:
        raise Conflict(
            f"The rebuild that broke off is more than {OLDEST_RESUMED.days} days old. Begin a new one."
        )
    with connections[shadows.OWNER].cursor() as cursor:
        cursor.execute(
            f"SELECT operator_id FROM {shadows.BUILDING}.servicing_checkpoint WHERE projection = %s",
            [PROJECTION],
        )
        whole = frozenset(operator_id for (operator_id,) in cursor.fetchall())
    for operator_id in _operators_in_shadows() - whole:
        with shadows.filling(operator_id):
            shadows.forget(operator_id)
    return Made(version, started_at, whole)


def _operators_in_shadows() -> set[UUID]:
    with connections[shadows.OWNER].cursor() as cursor:
        rows = " UNION ".join(
            f"SELECT operator_id FROM {shadows.BUILDING}.{table}" for table in shadows.TABLES
        )
        cursor.execute(rows)
        return {operator_id for (operator_id,) in cursor.fetchall()}


def forget_made() -> None:
    """Whatever a rebuild of everything had made is gone."""
    forget_version()
    shadows.empty()


def forget_version() -> None:
    with connections[shadows.OWNER].cursor() as cursor:
        cursor.execute("DELETE FROM servicing_projectionversion WHERE state = 'building'")


def code_hash() -> str:
    """SHA-256 over the source of all that a projection is made by: another one asks for a rebuild."""
    package = Path(__file__).resolve().parent.parent
    files = sorted(
        path
        for part in ("events", "projections", "queries", "rules")
        for path in (package / part).rglob("*.py")
    )
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()
