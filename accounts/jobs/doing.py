"""Doing a job: its effect and that it is done are one transaction."""

from __future__ import annotations

import logging
from collections.abc import Callable
from uuid import UUID

from accounts import clock, origin, tenancy
from accounts.errors import Refusal
from accounts.models import Job
from accounts.permissions import Actor, system_actor

MOST_FINISHED = 1_000
SECOND = 2

log = logging.getLogger(__name__)


def perform(operator_id: UUID, job_id: UUID, effect: Callable[[Actor, Job], None]) -> bool:
    """Run a job's effect and mark it done in one transaction. False when it was done, given up or is being done.

    The effect runs inside the open transaction and must not open one of its own. What it raises is noted on the row
    and raised again. A refusal is noted in its own words: it is no fault of the product, and a later attempt may do.
    """
    actor = system_actor(operator_id)
    try:
        while True:
            with tenancy.writing(actor, lock_timeout_ms=0):
                job = _locked(job_id)
                if job is None:
                    return False
                if begin_attempt(job):
                    continue
                origin.trying(job.attempts)
                effect(actor, job)
                Job.objects.filter(id=job_id).update(
                    done_at=clock.now(), lease_until=None, quarantined_at=None
                )
                return True
    except Exception as fault:
        if isinstance(fault, Refusal):
            log.warning("job_refused operator=%s job=%s code=%s", operator_id, job_id, fault.code)
        else:
            log.exception("job_failed operator=%s job=%s", operator_id, job_id)
        with tenancy.writing(actor):
            # The lease stays: the next attempt waits for it, which is the pause between attempts.
            Job.objects.filter(id=job_id).update(last_error=plainly(fault))
        raise


def _locked(job_id: UUID) -> Job | None:
    """None for what is done, given up, or being done by another worker."""
    open_ones = Job.objects.select_for_update(skip_locked=True).filter(done_at=None, given_up_at=None)
    job: Job | None = open_ones.filter(id=job_id).first()
    return job


def begin_attempt(job: Job) -> bool:
    """Note that a worker begins with a job, in a transaction to be stored before anything of it is done: the attempt counts.

    False when there is nothing to note: the first attempt counts anyway, so what goes well at once is written once.
    """
    if job.attempts < SECOND or job.begun_at is not None:
        return False
    Job.objects.filter(id=job.id).update(begun_at=clock.now())
    return True


def plainly(fault: BaseException) -> str:
    """What is kept of a fault on its job's row: a refusal's own sentence, else what Python says of it."""
    return (fault.detail if isinstance(fault, Refusal) else repr(fault))[:2000]


def finish_like(job: Job) -> None:
    """Mark done what else is owed of a job's kind: for an effect that does at once all that was owed before it.

    To be called before the effect reads, in its transaction. What another worker is at is let be.
    """
    others = Job.objects.select_for_update(skip_locked=True).filter(
        kind=job.kind, done_at=None, given_up_at=None
    )
    ids = list(others.exclude(id=job.id).values_list("id", flat=True)[:MOST_FINISHED])
    Job.objects.filter(id__in=ids).update(done_at=clock.now(), lease_until=None, quarantined_at=None)
