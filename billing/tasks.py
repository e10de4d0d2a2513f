"""Celery's doors: ids in, one command, nothing else."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task

from billing.commands import delivering, month_jobs, sending
from billing.commands.webhooks import alerting, telling, warning
from billing.commands.webhooks import delivering as hooks


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


@shared_task(name="billing.tasks.tell", queue="default", ignore_result=True)
def tell(operator_id: str, job_id: str) -> None:
    telling.tell(UUID(operator_id), UUID(job_id))


# A receiver gets ten seconds; whatever it does, its worker is free again soon.
DELIVERY_SECONDS = 15


@shared_task(
    name="billing.tasks.deliver",
    queue="webhooks",
    ignore_result=True,
    soft_time_limit=DELIVERY_SECONDS,
    time_limit=DELIVERY_SECONDS + 5,
)
def deliver(operator_id: str, job_id: str) -> None:
    hooks.deliver(UUID(operator_id), UUID(job_id))


@shared_task(name="billing.tasks.say_stopped", queue="bulk", ignore_result=True)
def say_stopped(operator_id: str, job_id: str) -> None:
    warning.say_stopped(UUID(operator_id), UUID(job_id))


@shared_task(name="billing.tasks.alerts_turned", queue="default", ignore_result=True)
def alerts_turned(operator_id: str, job_id: str) -> None:
    alerting.tell(UUID(operator_id), UUID(job_id))
