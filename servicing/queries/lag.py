"""How far the projections are behind the log; nothing, while every upload folds what it appends."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db import connection

from accounts.tenancy import current_operator_id
from servicing.models import ProjectionVersion


@dataclass(frozen=True, slots=True)
class Lag:
    """Of one operator: the log's last position, the position folded, how many events lie between, when the oldest was stored."""

    head: int
    folded: int
    events_behind: int
    behind_since: datetime | None


@dataclass(frozen=True, slots=True)
class LiveVersion:
    """Which making of the derived tables is live, since when, and by which code (SHA-256; empty: by their migration)."""

    version: int
    live_at: datetime
    code_hash: str


# As in the checkpoint of the fold that runs with each upload.
_LAG_SQL = """
WITH folded AS (
    SELECT coalesce(max(position), 0) AS position FROM servicing_checkpoint
    WHERE operator_id = %(operator)s AND projection = 'servicing'
), behind AS (
    SELECT count(*) AS events, min(recorded_at) AS since FROM servicing_event
    WHERE operator_id = %(operator)s AND position > (SELECT position FROM folded)
)
SELECT coalesce((SELECT max(position) FROM servicing_event WHERE operator_id = %(operator)s), 0),
    folded.position, behind.events, behind.since
FROM folded, behind
"""


# The kind whose jobs sweep an operator, each minute.
SWEEP = "servicing.tasks.sweep"


@dataclass(frozen=True, slots=True)
class Behind:
    """How far something that reads the log is behind it: events, and how old the oldest of them is by the database's time."""

    projection: str
    head: int
    events: int
    seconds: float


# What follows the log: the fold that runs with each upload, and the seals, which wait until a block is full or old enough.
_BEHIND_SQL = """
WITH followed AS (
    SELECT projection, max(position) AS position FROM (
        SELECT projection, position FROM servicing_checkpoint WHERE operator_id = %(operator)s
        UNION ALL SELECT 'servicing', 0
        UNION ALL SELECT 'seals', coalesce(max(last_position), 0) FROM servicing_seal WHERE operator_id = %(operator)s
    ) each GROUP BY projection
)
SELECT followed.projection, head.position, behind.events,
    coalesce(extract(epoch FROM clock_timestamp() - behind.since), 0)::float
FROM followed
CROSS JOIN (SELECT coalesce(max(position), 0) AS position FROM servicing_event WHERE operator_id = %(operator)s) head
CROSS JOIN LATERAL (
    SELECT count(*) AS events, min(recorded_at) AS since FROM servicing_event
    WHERE operator_id = %(operator)s AND position > followed.position
) behind ORDER BY followed.projection
"""


def behind() -> list[Behind]:
    """What follows the log of the scope's operator, in one statement."""
    with connection.cursor() as cursor:
        cursor.execute(_BEHIND_SQL, {"operator": current_operator_id()})
        return [Behind(*row) for row in cursor.fetchall()]


def lag() -> Lag:
    """Of the scope's operator, in one statement, so that an append between two can't show as a lag."""
    with connection.cursor() as cursor:
        cursor.execute(_LAG_SQL, {"operator": current_operator_id()})
        return Lag(*cursor.fetchone())


def live_version() -> LiveVersion:
    live = ProjectionVersion.objects.get(state="live")
    assert live.live_at is not None, "what is live became so at some time"
    return LiveVersion(live.version, live.live_at, live.code_hash)
