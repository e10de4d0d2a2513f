"""Owing a job in the transaction of what it is owed for, and asking what became of it. All in the open scope."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings

from accounts import clock
from accounts.ids import uuid7
from accounts.models import Job

# Owed to servicing: terms or rules changed, so due days are to be made anew; ``ref`` is the site's id, none is all.
DUE_REFRESH = "servicing.tasks.refresh_due"
# Owed to billing: alerts opened or closed, so endpoints that asked for them are to be told; ``ref`` is the turn.
ALERTS_TURNED = "billing.tasks.alerts_turned"

LEASE_SECONDS: int = settings.LEASE_SECONDS
MOST_ATTEMPTS = 5


def lease() -> timedelta:
    """For so long whoever claimed a job has it to themselves."""
    return timedelta(seconds=LEASE_SECONDS)


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


def refs_at_work(kind: str) -> set[str]:
    """The refs of the jobs of a kind that are still to be done and may be, in the open scope."""
    waiting = Job.objects.filter(
        kind=kind, done_at=None, quarantined_at=None, given_up_at=None, attempts__lt=MOST_ATTEMPTS
    )
    return set(waiting.values_list("ref", flat=True))
