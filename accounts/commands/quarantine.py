"""Deciding about work that failed at every attempt: have it tried again, or give it up."""

from __future__ import annotations

from uuid import UUID

from accounts import clock, tenancy
from accounts.auditing import note
from accounts.errors import NotFound
from accounts.jobs import Job, long
from accounts.languages import _
from accounts.models import LongWork
from accounts.permissions import Actor, Permission, require
from accounts.queries.quarantine import quarantined

MOST_AT_ONCE = 10_000


def replay(*, actor: Actor, job_id: UUID) -> Job:
    """Have one tried again at once, with all its attempts. NotFound for what does not wait for a decision."""
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor):
        job = _locked(job_id)
        _try_again([job])
        return job


def replay_kind(*, actor: Actor, kind: str) -> int:
    """The same for all of a kind; gives how many."""
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor):
        jobs = _locked_of(kind)
        _try_again(jobs)
        return len(jobs)


def give_up(*, actor: Actor, job_id: UUID) -> Job:
    """Have one not done at all. NotFound for what does not wait for a decision."""
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor):
        job = _locked(job_id)
        _give_up(actor, [job])
        return job


def give_up_kind(*, actor: Actor, kind: str) -> int:
    """The same for all of a kind; gives how many."""
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor):
        jobs = _locked_of(kind)
        _give_up(actor, jobs)
        return len(jobs)


def _locked(job_id: UUID) -> Job:
    job = quarantined().select_for_update().filter(id=job_id).first()
    if job is None:
        raise NotFound(
            _(
                "This is not among the work that failed. It was tried again or given up in the meantime. Nothing was changed."
            )
        )
    return job


def _locked_of(kind: str) -> list[Job]:
    return list(quarantined().select_for_update().filter(kind=kind).order_by("id")[:MOST_AT_ONCE])


def _try_again(jobs: list[Job]) -> None:
    """It is due as it was. What it failed of stays on its row until it fails of something else."""
    for job in jobs:
        job.attempts, job.lease_until, job.quarantined_at = 0, None, None
    Job.objects.bulk_update(jobs, ["attempts", "lease_until", "quarantined_at"], batch_size=1_000)
    _note("job_tried_again", jobs)


def _give_up(actor: Actor, jobs: list[Job]) -> None:
    now = clock.now()
    for job in jobs:
        job.given_up_at, job.given_up_by, job.lease_until = now, actor.name[:200], None
    Job.objects.bulk_update(jobs, ["given_up_at", "given_up_by", "lease_until"], batch_size=1_000)
    # Nobody goes on with it any more, so what its chunks put aside goes, and its time to be forgotten begins.
    for work in LongWork.objects.filter(job_id__in=[job.id for job in jobs], ended_at=None):
        long.end(work, long.Outcome.FAILED)
    _note("job_given_up", jobs)


def _note(action: str, jobs: list[Job]) -> None:
    if len(jobs) == 1:
        note(action=action, kind="job", row_id=jobs[0].id, job=jobs[0].kind)
    elif jobs:
        note(action=action, kind="job", job=jobs[0].kind, count=len(jobs))
