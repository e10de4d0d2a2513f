"""The clock and the relay: each minute every operator is owed its sweep, and what is owed is sent to the workers."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from celery import current_app, shared_task

from accounts import clock, jobs
from accounts.commands import (
    auditing,
    closing,
    forgotten,
    invitations,
    keeping,
    sessions,
    telling,
    throttling,
)

SWEEP = "servicing.tasks.sweep"
SEAL = "servicing.tasks.seal"
REFIT = "servicing.tasks.refit"
SEND = "billing.tasks.send"
NIGHTLY = "billing.tasks.nightly"
# Who is to be told of alerts: looked at each quarter of an hour, since zones begin their hours at one.
LOOK_AT_NOTICES, SEND_NOTICE = "servicing.tasks.look_at_notices", "servicing.tasks.send_notice"
LOOK_EVERY_MINUTES = 15
ANNOUNCE, ANNOUNCE_TOMORROW = "servicing.tasks.announce", "servicing.tasks.announce_tomorrow"
INVITE, TELL = "accounts.tasks.send_invitation", "accounts.tasks.tell_person"
TELL_OF_CLOSING = "accounts.tasks.tell_of_closing"
CLOSE, PREVIEW = "billing.tasks.close_month", "billing.tasks.preview_month"
# Receivers may be slow: they keep nothing else waiting.
DELIVER, SAY_STOPPED = "billing.tasks.deliver", "billing.tasks.say_stopped"
SEAL_EVERY_MINUTES = 5
# Fits are made in the first hours of the UTC day, an operator always at about the same time.
REFIT_SECONDS = 4 * 3_600
# What billing does by the day, reminders among it: for all operators in the hours after this one of the UTC day.
NIGHTLY_HOUR, NIGHTLY_SECONDS = 6, 2 * 3_600
# Tomorrow's visits are told in the hour after this one of the UTC day: an afternoon in Europe, a morning in America.
ANNOUNCE_HOUR, ANNOUNCE_SECONDS = 14, 3_600
# The audit is read again in the hours after this one of the UTC day, when little else is done.
CHECK_AUDIT_HOUR, CHECK_AUDIT_SECONDS = 2, 2 * 3_600
DAYS_KEPT = 7
# As long as browsers keep the cookie by which they are known.
DAYS_DEVICE_KNOWN = 400
AGAIN_SECONDS = 5


@shared_task(name="accounts.tasks.tick", queue="alerts", ignore_result=True)
def tick() -> None:
    """Owe this minute's sweep to every operator, now and then the seals, then relay.

    Once a day it owes the fits, the check of the audit, what billing does by the day, and the mails that tell sites of
    tomorrow's visits. A second tick of the same minute owes nothing more.
    """
    now = clock.now()
    jobs.owe_everyone(kind=SWEEP, slot=f"{now:%Y-%m-%dT%H:%M}")
    # By its part of the hour, so that a minute without a tick costs no seal.
    jobs.owe_everyone(kind=SEAL, slot=f"{now:%Y-%m-%dT%H}/{now.minute // SEAL_EVERY_MINUTES}")
    jobs.owe_everyone(kind=LOOK_AT_NOTICES, slot=f"{now:%Y-%m-%dT%H}/{now.minute // LOOK_EVERY_MINUTES}")
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    jobs.owe_everyone(kind=REFIT, slot=f"{now:%Y-%m-%d}", start=midnight, spread_seconds=REFIT_SECONDS)
    early = midnight + timedelta(hours=CHECK_AUDIT_HOUR)
    jobs.owe_everyone(
        kind=auditing.CHECK, slot=f"{now:%Y-%m-%d}", start=early, spread_seconds=CHECK_AUDIT_SECONDS
    )
    morning = midnight + timedelta(hours=NIGHTLY_HOUR)
    jobs.owe_everyone(kind=NIGHTLY, slot=f"{now:%Y-%m-%d}", start=morning, spread_seconds=NIGHTLY_SECONDS)
    afternoon = midnight + timedelta(hours=ANNOUNCE_HOUR)
    jobs.owe_everyone(
        kind=ANNOUNCE_TOMORROW, slot=f"{now:%Y-%m-%d}", start=afternoon, spread_seconds=ANNOUNCE_SECONDS
    )
    if forgotten.is_asked():
        answer_forgotten.apply_async(expires=55)
    relay()


@shared_task(name="accounts.tasks.answer_forgotten", queue="bulk", ignore_result=True)
def answer_forgotten() -> None:
    """Mail the links to new passwords that were asked for: of people, so no operator's job."""
    forgotten.answer_asked()


@shared_task(name="accounts.tasks.relay", queue="alerts", ignore_result=True)
def relay() -> int:
    """Send what is due to the workers, and look again soon while there is any.

    A message that gets lost is sent again when its lease has ended.
    """
    claimed = jobs.claim_due()
    if claimed:
        relay.apply_async(countdown=AGAIN_SECONDS, expires=60)
    for job in claimed:
        current_app.send_task(
            job.kind, args=[str(job.operator_id), str(job.id)], queue=QUEUES.get(job.kind, "default")
        )
    return len(claimed)


QUEUES = {SWEEP: "alerts", DELIVER: "webhooks"} | dict.fromkeys(
    (
        SEAL,
        REFIT,
        SEND,
        INVITE,
        TELL,
        NIGHTLY,
        ANNOUNCE,
        ANNOUNCE_TOMORROW,
        SEND_NOTICE,
        CLOSE,
        PREVIEW,
        SAY_STOPPED,
        TELL_OF_CLOSING,
        auditing.CHECK,
    ),
    "bulk",
)


@shared_task(name="accounts.tasks.send_invitation", queue="bulk", ignore_result=True)
def send_invitation(operator_id: str, job_id: str) -> None:
    invitations.send_invitation(UUID(operator_id), UUID(job_id))


@shared_task(name=auditing.CHECK, queue="bulk", ignore_result=True)
def check_audit(operator_id: str, job_id: str) -> None:
    auditing.check_audit(UUID(operator_id), UUID(job_id))


@shared_task(name="accounts.tasks.tell_person", queue="bulk", ignore_result=True)
def tell_person(operator_id: str, job_id: str) -> None:
    telling.tell_person(UUID(operator_id), UUID(job_id))


@shared_task(name="accounts.tasks.tell_of_closing", queue="bulk", ignore_result=True)
def tell_of_closing(operator_id: str, job_id: str) -> None:
    closing.tell_of_closing(UUID(operator_id), UUID(job_id))


@shared_task(name="accounts.tasks.forget_done", queue="bulk", ignore_result=True)
def forget_done() -> None:
    old = clock.now() - timedelta(days=DAYS_KEPT)
    jobs.forget_done(old)
    keeping.forget_kept(old)
    throttling.forget_tallies(old)
    sessions.forget_ended(clock.now(), unseen_since=clock.now() - timedelta(days=DAYS_DEVICE_KNOWN))
