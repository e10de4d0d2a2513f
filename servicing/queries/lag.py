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


def lag() -> Lag:
    """Of the scope's operator, in one statement, so that an append between two can't show as a lag."""
    with connection.cursor() as cursor:
        cursor.execute(_LAG_SQL, {"operator": current_operator_id()})
        return Lag(*cursor.fetchone())


def live_version() -> LiveVersion:
    live = ProjectionVersion.objects.get(state="live")
    assert live.live_at is not None, "what is live became so at some time"
    return LiveVersion(live.version, live.live_at, live.code_hash)
