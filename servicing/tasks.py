"""Celery's doors: ids in, one command, nothing else."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task

from accounts.jobs.kinds import CARRY_OUT_IMPORT, LOOK_AT_IMPORT
from servicing.commands import announcing, forecasts, importing, noticing, seals, sweeps


@shared_task(name="servicing.tasks.sweep", queue="alerts", ignore_result=True)
def sweep(operator_id: str, job_id: str) -> None:
    sweeps.run_sweep(UUID(operator_id), UUID(job_id))


@shared_task(name="servicing.tasks.refresh_due", queue="default", ignore_result=True)
def refresh_due(operator_id: str, job_id: str) -> None:
    sweeps.refresh_due(UUID(operator_id), UUID(job_id))


@shared_task(name="servicing.tasks.seal", queue="bulk", ignore_result=True)
def seal(operator_id: str, job_id: str) -> None:
    seals.run_seal(UUID(operator_id), UUID(job_id))


@shared_task(name="servicing.tasks.refit", queue="bulk", ignore_result=True)
def refit(operator_id: str, job_id: str) -> None:
    forecasts.run_refit(UUID(operator_id), UUID(job_id))


@shared_task(name="servicing.tasks.announce", queue="bulk", ignore_result=True)
def announce(operator_id: str, job_id: str) -> None:
    announcing.deliver(UUID(operator_id), UUID(job_id))


@shared_task(name="servicing.tasks.announce_tomorrow", queue="bulk", ignore_result=True)
def announce_tomorrow(operator_id: str, job_id: str) -> None:
    announcing.announce_tomorrow(UUID(operator_id), UUID(job_id))


@shared_task(name=noticing.LOOK, queue="default", ignore_result=True)
def look_at_notices(operator_id: str, job_id: str) -> None:
    noticing.look(UUID(operator_id), UUID(job_id))


@shared_task(name=noticing.SEND, queue="bulk", ignore_result=True)
def send_notice(operator_id: str, job_id: str) -> None:
    noticing.deliver(UUID(operator_id), UUID(job_id))


# A file of 100,000 rows is read in a minute or so; what is new of it is stored in one transaction, in a few.
MOST_SECONDS = 1_800


@shared_task(
    name=LOOK_AT_IMPORT,
    queue="bulk",
    ignore_result=True,
    soft_time_limit=MOST_SECONDS,
    time_limit=MOST_SECONDS + 60,
)
def look_at_import(operator_id: str, job_id: str) -> None:
    importing.run_look(UUID(operator_id), UUID(job_id))


@shared_task(
    name=CARRY_OUT_IMPORT,
    queue="bulk",
    ignore_result=True,
    soft_time_limit=MOST_SECONDS,
    time_limit=MOST_SECONDS + 60,
)
def carry_out_import(operator_id: str, job_id: str) -> None:
    importing.run_import(UUID(operator_id), UUID(job_id))
