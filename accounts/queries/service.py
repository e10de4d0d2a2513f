"""How the service itself stands, over all operators: what is owed, when each was swept last, who is connected.

For the people who run it. Counts and instants only, no row of an operator's data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections

from accounts import clock, tenancy
from accounts.models import LongWork


@dataclass(frozen=True, slots=True)
class Owed:
    """Jobs of one operator and kind: due now, out with a worker, owed for later, put aside; since when the oldest is due.

    What was sent and sent again, and no worker began with it, is due as well as out: perhaps none looks at its queue.
    """

    operator_id: UUID
    kind: str
    due: int
    out: int
    later: int
    quarantined: int
    due_since: datetime | None


@dataclass(frozen=True, slots=True)
class Swept:
    """An operator, and the last time a job of a kind was done for it: when, and how many seconds after it was due."""

    operator_id: UUID
    slug: str
    name: str
    at: datetime | None
    late_seconds: float | None


@dataclass(frozen=True, slots=True)
class AtHand:
    """A piece of long work of the scope's operator that has not ended. ``of`` is 0 while that is not known."""

    id: UUID
    kind: str
    asked_at: datetime
    done: int
    of: int


@dataclass(frozen=True, slots=True)
class Server:
    """The database server: its version, the connections it allows, those in use by role, and rows added to the log.

    The last is the server's own statistic: of all operators, since it was last reset, those of undone uploads too.
    """

    version: str
    most_connections: int
    connections: dict[str, int]
    appended: int


_OPEN = "done_at IS NULL AND quarantined_at IS NULL AND given_up_at IS NULL"
# Each half reads the partial index of its name alone, however many jobs are kept that are done.
_OWED_SQL = f"""
SELECT operator_id, kind, sum(due)::int, sum("out")::int, sum(later)::int, sum(quarantined)::int, min(due_since) FROM (
    SELECT operator_id, kind,
        count(*) FILTER (WHERE run_at <= %(now)s AND (lease_until IS NULL OR lease_until < %(now)s)) AS due,
        count(*) FILTER (WHERE lease_until >= %(now)s) AS "out",
        count(*) FILTER (WHERE run_at > %(now)s AND (lease_until IS NULL OR lease_until < %(now)s)) AS later,
        0 AS quarantined,
        min(run_at) FILTER (WHERE run_at <= %(now)s AND (
            lease_until IS NULL OR lease_until < %(now)s OR attempts >= 2 AND begun_at IS NULL
        )) AS due_since
    FROM accounts_job WHERE {_OPEN} GROUP BY operator_id, kind
    UNION ALL
    SELECT operator_id, kind, 0, 0, 0, count(*), NULL FROM accounts_job
    WHERE quarantined_at IS NOT NULL AND given_up_at IS NULL GROUP BY operator_id, kind
) owed GROUP BY operator_id, kind ORDER BY kind, operator_id
"""
# The keys of such a kind begin with their instant, so the last one that was done stands near the end of the key's index.
_SWEPT_SQL = """
SELECT o.id, o.slug, o.name, swept.done_at, extract(epoch FROM swept.done_at - swept.run_at)::float
FROM accounts_operator o LEFT JOIN LATERAL (
    SELECT done_at, run_at FROM accounts_job
    WHERE operator_id = o.id AND kind = %(kind)s AND done_at IS NOT NULL ORDER BY dedup_key DESC LIMIT 1
) swept ON true ORDER BY o.slug
"""


def owed() -> list[Owed]:
    """By operator and kind what is still to be done, as the system role."""
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(_OWED_SQL, {"now": clock.now()})
        return [Owed(*row) for row in cursor.fetchall()]


def last_done_of_everyone(kind: str) -> list[Swept]:
    """Every operator by its address, with the last job of a kind, whose keys are instants; as the system role."""
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(_SWEPT_SQL, {"kind": kind})
        return [Swept(*row) for row in cursor.fetchall()]


def work_at_hand() -> list[AtHand]:
    """Of the scope's operator."""
    rows = LongWork.objects.filter(ended_at=None).order_by("asked_at", "id")
    return [AtHand(*row) for row in rows.values_list("id", "kind", "asked_at", "done", "of")]


def server() -> Server:
    """From the server's own statistics, which every role may read as far as this; no table of ours."""
    with connections["default"].cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('server_version'), current_setting('max_connections')::int, "
            "coalesce((SELECT n_tup_ins FROM pg_stat_user_tables WHERE relid = to_regclass('public.servicing_event')), 0)"
        )
        version, most, appended = cursor.fetchone()
        cursor.execute(
            "SELECT coalesce(usename, 'the server')::text, count(*) FROM pg_stat_activity "
            "WHERE datname = current_database() GROUP BY 1"
        )
        rows: Sequence[tuple[str, int]] = cursor.fetchall()
    return Server(version.partition(" ")[0], most, dict(rows), appended)
