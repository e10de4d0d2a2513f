"""Obligations as rows: a job is owed once its row is committed, and done once its effect is. Celery only makes it soon.

The relay claims what is due with a lease and sends its id to a worker; a worker that dies, or a broker that forgets,
costs no more than the lease.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections

from accounts import clock, tenancy
from accounts.ids import uuid7
from accounts.models import Job
from accounts.permissions import Actor, system_actor

# Owed to servicing: terms or rules changed, so due days are to be made anew; ``ref`` is the site's id, none is all.
DUE_REFRESH = "servicing.tasks.refresh_due"

LEASE_SECONDS = 120
MOST_ATTEMPTS = 5
# Of one operator and kind at a time: no operator starves the others, and no import its own sweeps.
MOST_IN_FLIGHT = 20
MOST_FINISHED = 1_000

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Claimed:
    id: UUID
    operator_id: UUID
    kind: str


def enqueue(*, kind: str, dedup_key: str, ref: str = "", run_at: datetime | None = None) -> bool:
    """Owe a job, in the open scope's transaction. False when the same key is owed or done already."""
    now = clock.now()
    job = Job(id=uuid7(now), kind=kind, dedup_key=dedup_key, ref=ref, run_at=run_at or now)
    before = Job.objects.filter(kind=kind, dedup_key=dedup_key).exists()
    Job.objects.bulk_create([job], ignore_conflicts=True)
    return not before


def enqueue_all(*, kind: str, refs: Mapping[str, str]) -> None:
    """Owe a job for each key of ``refs``, with the ref it has there; a key that is owed or done already is passed over."""
    now = clock.now()
    jobs = [Job(id=uuid7(now), kind=kind, dedup_key=key, ref=ref, run_at=now) for key, ref in refs.items()]
    Job.objects.bulk_create(jobs, ignore_conflicts=True, batch_size=1_000)


def is_done(*, kind: str, dedup_key: str) -> bool:
    """Whether the job of this key has been done, in the open scope. False for one that was never owed."""
    return Job.objects.filter(kind=kind, dedup_key=dedup_key, done_at__isnull=False).exists()


def last_owed(kind: str) -> Job | None:
    """The job of a kind that was owed last, in the open scope, done or not; None when none is kept."""
    return Job.objects.filter(kind=kind).order_by("-id").first()


def note(job_id: UUID, said: str) -> None:
    """Keep a sentence on a job's row for whoever asks what became of it; in the effect's own transaction."""
    Job.objects.filter(id=job_id).update(last_error=said[:2000])


def owe_everyone(*, kind: str, slot: str, start: datetime | None = None, spread_seconds: int = 1) -> int:
    """One job of this kind for every operator and slot. Two clocks ticking at once owe it once.

    Each runs within ``spread_seconds`` from ``start`` (now, when left out), always as long after it for one operator.
    """
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            "INSERT INTO accounts_job (id, operator_id, kind, dedup_key, ref, run_at, attempts, last_error) "
            "SELECT gen_random_uuid(), id, %s, %s, '', "
            "%s + make_interval(secs => abs(hashtextextended(id::text, 0) %% %s)::integer), 0, '' FROM accounts_operator "
            "ON CONFLICT (operator_id, kind, dedup_key) DO NOTHING",
            [kind, slot, start or clock.now(), spread_seconds],
        )
        return cursor.rowcount


def claim_due(limit: int = 200) -> list[Claimed]:
    """Lease what is due, the operators in turn. The attempt counts at the claim, so a job that kills its worker ends."""
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute(
            """
            WITH due AS (
                SELECT id, row_number() OVER (PARTITION BY operator_id, kind ORDER BY run_at, id) AS turn
                FROM accounts_job
                WHERE done_at IS NULL AND run_at <= %(now)s AND attempts < %(most)s
                  AND (lease_until IS NULL OR lease_until < %(now)s)
            ), flying AS (
                SELECT operator_id, kind, count(*) AS jobs FROM accounts_job
                WHERE done_at IS NULL AND lease_until >= %(now)s GROUP BY operator_id, kind
            ), chosen AS (
                SELECT job.id FROM accounts_job job JOIN due USING (id) LEFT JOIN flying USING (operator_id, kind)
                WHERE due.turn + coalesce(flying.jobs, 0) <= %(in_flight)s AND job.done_at IS NULL
                  AND (job.lease_until IS NULL OR job.lease_until < %(now)s)
                ORDER BY due.turn, job.run_at LIMIT %(limit)s
                FOR UPDATE OF job SKIP LOCKED
            )
            UPDATE accounts_job SET attempts = attempts + 1, lease_until = %(now)s + make_interval(secs => %(lease)s)
            FROM chosen WHERE accounts_job.id = chosen.id
            RETURNING accounts_job.id, accounts_job.operator_id, accounts_job.kind
            """,
            {
                "now": clock.now(),
                "most": MOST_ATTEMPTS,
                "in_flight": MOST_IN_FLIGHT,
                "limit": limit,
                "lease": LEASE_SECONDS,
            },
        )
        return [Claimed(*row) for row in cursor.fetchall()]


def perform(operator_id: UUID, job_id: UUID, effect: Callable[[Actor, Job], None]) -> bool:
    """Run a job's effect and mark it done in one transaction. False when it was done already or is being done.

    The effect runs inside the open transaction and must not open one of its own. What it raises is noted on the row
    and raised again.
    """
    actor = system_actor(operator_id)
    try:
        with tenancy.writing(actor, lock_timeout_ms=0):
            job = Job.objects.select_for_update(skip_locked=True).filter(id=job_id, done_at=None).first()
            if job is None:
                return False
            effect(actor, job)
            Job.objects.filter(id=job_id).update(done_at=clock.now(), lease_until=None)
    except Exception as fault:
        log.exception("job_failed operator=%s job=%s", operator_id, job_id)
        with tenancy.writing(actor):
            # The lease stays: the next attempt waits for it, which is the pause between attempts.
            Job.objects.filter(id=job_id).update(last_error=repr(fault)[:2000])
        raise
    return True


def refs_at_work(kind: str) -> set[str]:
    """The refs of the jobs of a kind that are still to be done and may be, in the open scope."""
    waiting = Job.objects.filter(kind=kind, done_at=None, attempts__lt=MOST_ATTEMPTS)
    return set(waiting.values_list("ref", flat=True))


def finish_like(job: Job) -> None:
    """Mark done what else is owed of a job's kind: for an effect that does at once all that was owed before it.

    To be called before the effect reads, in its transaction. What another worker is at is let be.
    """
    others = Job.objects.select_for_update(skip_locked=True).filter(kind=job.kind, done_at=None)
    ids = list(others.exclude(id=job.id).values_list("id", flat=True)[:MOST_FINISHED])
    Job.objects.filter(id__in=ids).update(done_at=clock.now(), lease_until=None)


def forget_done(before: datetime) -> int:
    """Delete jobs done before an instant; their keys are of the past and come no more."""
    with tenancy.across_operators(), connections["system"].cursor() as cursor:
        cursor.execute("DELETE FROM accounts_job WHERE done_at < %s", [before])
        return cursor.rowcount
