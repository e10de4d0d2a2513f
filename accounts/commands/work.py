"""Cancelling long work, and forgetting what was kept of it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from accounts import clock, queries, tenancy
from accounts.errors import Conflict
from accounts.jobs import long
from accounts.languages import _
from accounts.models import Job, LongWork, WorkFile
from accounts.permissions import Actor, Permission, require, system_actor
from accounts.queries import work as asking


def cancel(*, actor: Actor, work_id: UUID) -> LongWork:
    """Cancel a piece of long work: at once when nobody is at it, else between two chunks; whatever it had made is gone.

    Twice is as once. Forbidden for whoever may not do what it does, NotFound for what is not there, Conflict when it has
    ended already.
    """
    require(actor, Permission.WORK_READ)
    with tenancy.writing(actor):
        asking.get_work(actor, work_id)
        # Whoever is at it stores its chunk before this or after it: so its job is the one that it has now.
        work = LongWork.objects.select_for_update(no_key=True).get(id=work_id)
        if work.ended_at is not None:
            if work.outcome == long.Outcome.CANCELLED:
                return work
            raise Conflict(_("It had ended before. What it did can no longer be cancelled."))
        job = Job.objects.select_for_update(skip_locked=True).filter(id=work.job_id).first()
        now = clock.now()
        LongWork.objects.filter(id=work.id, cancel_asked_at=None).update(cancel_asked_at=now)
        if job is not None:
            # Nobody is at it: its job is ours.
            long.end(work, long.Outcome.CANCELLED)
        return LongWork.objects.get(id=work.id)


def forget_works(*, files_before: datetime, rows_before: datetime) -> int:
    """Delete files of work of all operators that ended before an instant, and rows of what ended before another.

    Gives how many rows of both.
    """
    forgotten = 0
    for operator_id in queries.operator_ids():
        with tenancy.writing(system_actor(operator_id)):
            forgotten += WorkFile.objects.filter(work__ended_at__lt=files_before).delete()[0]
            forgotten += LongWork.objects.filter(ended_at__lt=rows_before).delete()[0]
    return forgotten
