"""The relay's side of jobs, across operators: what is owed to whom, what is out with a worker, what is put aside.

Fair by operator and kind: each has at most so many out at a time, and whoever has the fewest out comes first. It is cheap
however much one of them is owed: of each operator and kind no more is read than may go out.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connections

from accounts import clock, tenancy
from accounts.ids import uuid7
from accounts.jobs.owing import LEASE_SECONDS, MOST_ATTEMPTS

# Of one operator and kind at a time: no operator starves the others, and no import its own sweeps.
MOST_IN_FLIGHT = 20
# In one queue: what waits for a worker waits here, where it can be claimed in turn, and not in Redis.
MOST_IN_QUEUE = 200
DEFAULT_QUEUE = "default"

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Claimed:
    """``turn``: with this one so many of its operator and kind are out. ``counted``: the claim counted an attempt."""

    id: UUID
    operator_id: UUID
    kind: str
    turn: int
    counted: bool


@dataclass(frozen=True, slots=True)
class Hopeless:
    """A job that was put aside: every attempt was in vain."""

    id: UUID
    operator_id: UUID
    kind: str
    attempts: int
    last_error: str


@dataclass(frozen=True, slots=True)
class Depth:
    """How much is owed over all operators: due now, out with workers, put aside; the oldest due since how many seconds."""

    due: int
    out: int
    quarantined: int
    oldest_due_seconds: float


# As the partial index accounts_job_due has it.
_OPEN = "done_at IS NULL AND quarantined_at IS NULL AND given_up_at IS NULL"

# Operators and kinds that are owed anything, by leaps over the index; of each what is due first, as much of it as may go
# out; of these, queue by queue, those first whose operator and kind have the fewest out.
_CLAIM_SQL = f"""
WITH RECURSIVE owed AS (
    (SELECT operator_id, kind FROM accounts_job WHERE {_OPEN} ORDER BY operator_id, kind LIMIT 1)
    UNION ALL
    SELECT further.operator_id, further.kind FROM owed CROSS JOIN LATERAL (
        SELECT operator_id, kind FROM accounts_job
        WHERE {_OPEN} AND (operator_id, kind) > (owed.operator_id, owed.kind)
        ORDER BY operator_id, kind LIMIT 1
    ) further
), flying AS MATERIALIZED (
    SELECT operator_id, kind, count(*) AS jobs FROM accounts_job
    WHERE done_at IS NULL AND lease_until >= %(now)s GROUP BY operator_id, kind
), queue_of AS (
    SELECT * FROM unnest(%(kinds)s::text[], %(queues)s::text[]) AS q (kind, queue)
), room AS (
    SELECT coalesce(queue, %(default)s) AS queue, %(in_queue)s - sum(jobs) AS jobs
    FROM flying LEFT JOIN queue_of USING (kind) GROUP BY 1
), due AS (
    SELECT job.id, job.run_at, owed.kind,
        coalesce(flying.jobs, 0) + row_number() OVER (PARTITION BY owed.operator_id, owed.kind ORDER BY job.run_at, job.id) AS turn
    FROM owed LEFT JOIN flying USING (operator_id, kind) CROSS JOIN LATERAL (
        SELECT id, run_at FROM accounts_job
        WHERE {_OPEN} AND operator_id = owed.operator_id AND kind = owed.kind AND run_at <= %(now)s
          AND (attempts < %(most)s OR begun_at IS NULL) AND (lease_until IS NULL OR lease_until < %(now)s)
        ORDER BY run_at, id LIMIT greatest(%(in_flight)s - coalesce(flying.jobs, 0), 0)
    ) job
), queued AS (
    SELECT due.id, due.turn, due.run_at, coalesce(queue, %(default)s) AS queue,
        row_number() OVER (PARTITION BY coalesce(queue, %(default)s) ORDER BY turn, run_at, id) AS place
    FROM due LEFT JOIN queue_of USING (kind)
), picked AS MATERIALIZED (
    SELECT queued.id, queued.turn FROM queued LEFT JOIN room USING (queue)
    WHERE queued.place <= coalesce(room.jobs, %(in_queue)s)
    ORDER BY queued.turn, queued.run_at, queued.id LIMIT 2 * %(limit)s
), chosen AS (
    SELECT job.id, picked.turn, job.run_at, job.attempts AS attempts_before FROM picked JOIN accounts_job job USING (id)
    WHERE job.done_at IS NULL AND job.quarantined_at IS NULL AND job.given_up_at IS NULL
      AND (job.lease_until IS NULL OR job.lease_until < %(now)s)
    ORDER BY picked.turn, job.run_at, job.id LIMIT %(limit)s
    FOR UPDATE OF job SKIP LOCKED
), claimed AS (
    UPDATE accounts_job SET attempts = CASE WHEN attempts < 2 OR begun_at IS NOT NULL THEN attempts + 1 ELSE attempts END,
        begun_at = NULL, lease_until = %(now)s + make_interval(secs => %(lease)s)
    FROM chosen WHERE accounts_job.id = chosen.id
    RETURNING accounts_job.id, accounts_job.operator_id, accounts_job.kind, chosen.turn, chosen.run_at,
        accounts_job.attempts > attempts_before AS counted
)
SELECT id, operator_id, kind, turn, counted FROM claimed ORDER BY turn, run_at, id
"""


def claim_due(
    limit: int = 200, *, queues: Mapping[str, str] | None = None, most_in_queue: int = MOST_IN_QUEUE
) -> list[Claimed]:
    """Lease what is due, the operators in turn. The attempt counts at the claim, so a job that ends its worker ends too.

    Only a lease in which no worker began with it is no attempt, from the second one on: its message was lost, or waited too
    long. So a slow worker puts nothing aside.

    ``queues``: which kinds go to which queue, the others to the default one; each gets no deeper than ``most_in_queue``.
    Without it no depth is looked at.
    """
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        # The planner takes what is owed for evenly spread, and would read all of a backlog to join a few rows of it.
        cursor.execute("SET LOCAL enable_seqscan = off")
        cursor.execute(
            _CLAIM_SQL,
            {
                "now": clock.now(),
                "most": MOST_ATTEMPTS,
                "in_flight": MOST_IN_FLIGHT,
                "limit": limit,
                "lease": LEASE_SECONDS,
                "kinds": list(queues or ()),
                "queues": list((queues or {}).values()),
                "default": DEFAULT_QUEUE,
                "in_queue": 2**31 if queues is None else most_in_queue,
            },
        )
        return [Claimed(*row) for row in cursor.fetchall()]


def give_back(claimed: Sequence[Claimed]) -> int:
    """Take back the lease of what could not be sent to a worker: it is due again, and the attempt was none.

    Those before it were, so however often it can't be sent, it gets no more of them. What has reached its worker all the
    same is let be. Gives how many were given back.
    """
    if not claimed:
        return 0
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            "UPDATE accounts_job SET lease_until = NULL, "
            "attempts = CASE WHEN id = ANY(%(counted)s) THEN greatest(attempts, 1) - 1 ELSE attempts END, "
            # From the third attempt on one was begun before, else this one would not have counted.
            "begun_at = CASE WHEN id = ANY(%(counted)s) AND attempts > 2 THEN %(now)s ELSE begun_at END WHERE id IN ("
            "SELECT id FROM accounts_job WHERE id = ANY(%(ids)s) AND done_at IS NULL AND lease_until IS NOT NULL "
            "ORDER BY id FOR UPDATE SKIP LOCKED)",
            {
                "ids": [one.id for one in claimed],
                "counted": [one.id for one in claimed if one.counted],
                "now": clock.now(),
            },
        )
        return cursor.rowcount


def put_aside() -> list[Hopeless]:
    """Put aside, each once, what has had all its attempts and whose last lease has ended: a person decides about it.

    What a worker is still at has its row locked and is let be, however long it takes.
    """
    now = clock.now()
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            f"UPDATE accounts_job SET quarantined_at = %s, lease_until = NULL WHERE id IN ("
            f"SELECT id FROM accounts_job WHERE {_OPEN} AND lease_until < %s AND attempts >= %s "
            "AND begun_at IS NOT NULL "
            "ORDER BY id FOR UPDATE SKIP LOCKED) RETURNING id, operator_id, kind, attempts, last_error",
            [now, now, MOST_ATTEMPTS],
        )
        found = [Hopeless(*row) for row in cursor.fetchall()]
    for one in found:
        log.error(
            "job_quarantined operator=%s kind=%s job=%s attempts=%d",
            one.operator_id,
            one.kind,
            one.id,
            one.attempts,
        )
    return found


def owe_everyone(
    *,
    kind: str,
    slot: str,
    start: datetime | None = None,
    spread_seconds: int = 1,
    unless_waiting: bool = False,
    here_before: datetime | None = None,
) -> int:
    """One job of this kind for every operator and slot. Two clocks ticking at once owe it once.

    Each runs within ``spread_seconds`` from ``start`` (now, when left out), always as long after it for one operator.
    ``unless_waiting``: none for an operator that is still owed one of this kind, which will do for both. One that is about
    something of its own, which its ref names, is none of them.
    ``here_before``: only for operators that were here before this instant, which their ids tell.
    """
    conditions = ["true"]
    values: dict[str, Any] = {
        "kind": kind,
        "slot": slot,
        "start": start or clock.now(),
        "spread": spread_seconds,
        "first": here_before and uuid7(here_before, bytes(10)),
    }
    if unless_waiting:
        conditions.append(
            f"NOT EXISTS (SELECT 1 FROM accounts_job j WHERE j.operator_id = o.id AND j.kind = %(kind)s "
            f"AND j.ref = '' AND {_OPEN})"
        )
    if here_before:
        conditions.append("o.id < %(first)s")
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            "INSERT INTO accounts_job (id, operator_id, kind, dedup_key, ref, run_at, attempts, last_error) "
            "SELECT gen_random_uuid(), o.id, %(kind)s, %(slot)s, '', "
            "%(start)s + make_interval(secs => abs(hashtextextended(o.id::text, 0) %% %(spread)s)::integer), 0, '' "
            f"FROM accounts_operator o WHERE {' AND '.join(conditions)} "
            "ON CONFLICT (operator_id, kind, dedup_key) DO NOTHING",
            values,
        )
        return cursor.rowcount


def let_go_made_good(kinds: Sequence[str]) -> int:
    """Of these kinds a later job does all that an earlier one was to do: what was put aside goes once a later one is done.

    It is given up, by nobody. Gives how many went.
    """
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            "UPDATE accounts_job SET given_up_at = %(now)s WHERE id IN ("
            "SELECT job.id FROM accounts_job job WHERE job.kind = ANY(%(kinds)s) AND job.quarantined_at IS NOT NULL "
            "AND job.ref = '' AND job.given_up_at IS NULL AND job.done_at IS NULL AND EXISTS ("
            "SELECT 1 FROM accounts_job later WHERE later.operator_id = job.operator_id AND later.kind = job.kind "
            "AND later.ref = '' AND later.dedup_key > job.dedup_key AND (later.done_at > job.quarantined_at OR later.quarantined_at IS NOT NULL)"
            ") FOR UPDATE SKIP LOCKED)",
            {"now": clock.now(), "kinds": list(kinds)},
        )
        return cursor.rowcount


def depth() -> Depth:
    """How much is owed at this moment, over all operators and kinds."""
    now = clock.now()
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            f"""
            SELECT count(*) FILTER (WHERE {_OPEN} AND run_at <= %(now)s AND (lease_until IS NULL OR lease_until < %(now)s)),
                count(*) FILTER (WHERE lease_until >= %(now)s),
                count(*) FILTER (WHERE quarantined_at IS NOT NULL AND given_up_at IS NULL),
                min(run_at) FILTER (WHERE {_OPEN} AND run_at <= %(now)s)
            FROM accounts_job WHERE done_at IS NULL
            """,
            {"now": now},
        )
        due, out, quarantined, oldest = cursor.fetchone()
    return Depth(due, out, quarantined, (now - oldest).total_seconds() if oldest else 0.0)


def forget_done(before: datetime) -> int:
    """Delete jobs done or given up before an instant; their keys are of the past and come no more."""
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute("DELETE FROM accounts_job WHERE done_at < %s OR given_up_at < %s", [before, before])
        return cursor.rowcount
