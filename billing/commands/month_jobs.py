"""The close and the preview of a month as jobs of the worker, for operators whose month takes longer than a page may."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from uuid import UUID

from django.db import transaction

from accounts import jobs, tenancy
from accounts.errors import Refusal
from accounts.permissions import Actor, Permission, require
from billing.commands import closing, previewing
from billing.queries import month_jobs
from billing.queries.wording import in_operators_words

CLOSE = month_jobs.CLOSE
PREVIEW = month_jobs.PREVIEW
LEAVE, ASK = "leave-held", "refuse-held"
STEPS = 200  # how often progress is told, at most


def owe_close(*, actor: Actor, month: date, leave_held: bool = False) -> None:
    """Owe the close of a month to the worker; one that is owed already is not owed twice.

    What the close itself would refuse it says when it runs: ``month_jobs.last`` tells it.
    """
    require(actor, Permission.INVOICES_ISSUE)
    _owe(actor, CLOSE, month, LEAVE if leave_held else ASK)


def owe_preview(*, actor: Actor, month: date) -> None:
    """Owe the preview of a month to the worker; one that is owed already is not owed twice."""
    require(actor, Permission.INVOICES_ISSUE)
    _owe(actor, PREVIEW, month, ASK)


def _owe(actor: Actor, kind: str, month: date, held: str) -> None:
    with tenancy.writing(actor):
        last = jobs.last_owed(kind)
        if last is not None and last.done_at is None and last.attempts < jobs.MOST_ATTEMPTS:
            return
        # Of two at once the second finds the same job before it, so the key of the first.
        key = f"{month:%Y-%m}/{last.id if last else 'first'}"
        jobs.enqueue(kind=kind, dedup_key=key, ref=f"{month:%Y-%m-%d} {held} {actor.id or ''}")


def run_close(operator_id: UUID, job_id: UUID) -> bool:
    """The close as a job. A refusal ends it and stays on its row; any other fault is tried again."""
    return jobs.perform(operator_id, job_id, _close)


def run_preview(operator_id: UUID, job_id: UUID) -> bool:
    """The preview as a job; see ``run_close``."""
    return jobs.perform(operator_id, job_id, _preview)


def _close(actor: Actor, job: jobs.Job) -> None:
    month, held, by = _asked(actor, job)
    with _told(job), transaction.atomic():
        closing.close_in_scope(
            actor=by, month=month, leave_held=held == LEAVE, progress=_progress(actor, CLOSE, month)
        )


def _preview(actor: Actor, job: jobs.Job) -> None:
    month, _, by = _asked(actor, job)
    with _told(job), transaction.atomic():
        previewing.preview_in_scope(actor=by, month=month, progress=_progress(actor, PREVIEW, month))


def _asked(actor: Actor, job: jobs.Job) -> tuple[date, str, Actor]:
    """The month, what to do with what is held, and in whose name."""
    month, held, by = job.ref.split(" ")
    return date.fromisoformat(month), held, replace(actor, id=UUID(by) if by else None)


@contextmanager
def _told(job: jobs.Job) -> Iterator[None]:
    """Let a refusal end the job: it would be the same at another attempt. Its sentence stays on the row."""
    try:
        with in_operators_words():
            yield
    except Refusal as refusal:
        jobs.note(job.id, refusal.detail)
    finally:
        month_jobs.forget_progress()


def _progress(actor: Actor, kind: str, month: date) -> Callable[[int, int], None]:
    said = -1
    month_jobs.tell_progress(kind, actor.operator_id, month, 0, 0)

    def tell(done: int, of: int) -> None:
        nonlocal said
        step = done * STEPS // of if of else 0
        if step != said:
            said = step
            month_jobs.tell_progress(kind, actor.operator_id, month, done, of)

    return tell
