"""Celery's doors: ids in, one command, nothing else."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task

from billing.commands import delivering, month_jobs, sending


@shared_task(name="billing.tasks.send", queue="bulk", ignore_result=True)
def send(operator_id: str, job_id: str) -> None:
    delivering.deliver(UUID(operator_id), UUID(job_id))


@shared_task(name="billing.tasks.nightly", queue="bulk", ignore_result=True)
def nightly(operator_id: str, job_id: str) -> None:
    sending.run_nightly(UUID(operator_id), UUID(job_id))


# A month of many thousand sites takes minutes. Sent again meanwhile, it finds its row locked and ends at once.
MOST_SECONDS = 3 * 3_600


@shared_task(
    name="billing.tasks.close_month",
    queue="bulk",
    ignore_result=True,
    soft_time_limit=MOST_SECONDS,
    time_limit=MOST_SECONDS + 60,
)
def close_month(operator_id: str, job_id: str) -> None:
    month_jobs.run_close(UUID(operator_id), UUID(job_id))


@shared_task(
    name="billing.tasks.preview_month",
    queue="bulk",
    ignore_result=True,
    soft_time_limit=MOST_SECONDS,
    time_limit=MOST_SECONDS + 60,
)
def preview_month(operator_id: str, job_id: str) -> None:
    month_jobs.run_preview(UUID(operator_id), UUID(job_id))
