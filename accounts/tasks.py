"""The clock and the relay: each minute every operator is owed what is due, and what is owed is sent to the workers."""

from __future__ import annotations

import logging
from datetime import timedelta
from typing import Any
from uuid import UUID

from celery import current_app, shared_task
from celery.utils.nodenames import worker_direct
from kombu.exceptions import ChannelError

from accounts import clock, jobs
from accounts.commands import (
    auditing,
    clockwork,
    closing,
    forgotten,
    invitations,
    keeping,
    sessions,
    telling,
    throttling,
    work,
)
from accounts.commands.clockwork import ANNOUNCE_TOMORROW, NIGHTLY, REFIT, SEAL, SWEEP

SEND = "billing.tasks.send"
SEND_NOTICE = "servicing.tasks.send_notice"
ANNOUNCE = "servicing.tasks.announce"
INVITE, TELL = "accounts.tasks.send_invitation", "accounts.tasks.tell_person"
TELL_OF_CLOSING = "accounts.tasks.tell_of_closing"
CLOSE, PREVIEW = "billing.tasks.close_month", "billing.tasks.preview_month"
LOOK_AT_IMPORT, CARRY_OUT_IMPORT = "servicing.tasks.look_at_import", "servicing.tasks.carry_out_import"
# Receivers may be slow: they keep nothing else waiting.
DELIVER, SAY_STOPPED = "billing.tasks.deliver", "billing.tasks.say_stopped"
DAYS_KEPT = 7
# Of long work that has ended: its files, and its row.
DAYS_FILES_KEPT, DAYS_WORK_KEPT = 30, 365
# As long as browsers keep the cookie by which they are known.
DAYS_DEVICE_KNOWN = 400
AGAIN_SECONDS = 5
# Until the next tick, which begins anew: however long there is something to send, one relay looks again and not more.
MOST_AGAIN = 60 // AGAIN_SECONDS - 1
# In a queue the first few of each operator and kind overtake what others have beyond that. Of the broker's two ends: with
# Redis 0 comes first.
FIRST, LAST, FIRST_TURNS = 0, 9, 2
# A worker that did nothing for a day is gone; one that does not take its messages is sent no more than these.
GONE = timedelta(days=1)
MOST_CALLS_WAITING = 2

log = logging.getLogger(__name__)


@shared_task(name="accounts.tasks.tick", queue="alerts", ignore_result=True)
def tick() -> None:
    """Owe every operator what is due, put aside what is hopeless, relay, and call the workers.

    A second tick of the same minute owes nothing more.
    """
    owed = clockwork.owe_what_is_due()
    tidy_up()
    if forgotten.is_asked():
        answer_forgotten.apply_async(expires=55)
    jobs.beat(jobs.TICK, owed=owed)
    relay()
    call_workers()


@shared_task(name="accounts.tasks.answer_forgotten", queue="bulk", ignore_result=True)
def answer_forgotten() -> None:
    """Mail the links to new passwords that were asked for: of people, so no operator's job."""
    forgotten.answer_asked()


@shared_task(name="accounts.tasks.relay", queue="alerts", ignore_result=True)
def relay(again: int = MOST_AGAIN) -> int:
    """Send what is due to the workers, and look ``again`` soon, so often at most, while there is any.

    A message that gets lost is sent again when its lease has ended.
    """
    sent = send_due()
    if sent and again:
        relay.apply_async(args=[again - 1], countdown=AGAIN_SECONDS, expires=60)
    return sent


@shared_task(name="accounts.tasks.send_due", queue="alerts", ignore_result=True)
def send_due() -> int:
    """Send what is due to the workers, once; gives how many jobs. Any number of relays may do so at a time.

    What can't be sent is due again at once, and was no attempt; why it can't is raised.
    """
    claimed = jobs.claim_due(queues=QUEUES)
    for number, job in enumerate(claimed):
        try:
            current_app.send_task(
                job.kind,
                args=[str(job.operator_id), str(job.id)],
                queue=queue_of(job.kind),
                priority=FIRST if job.turn <= FIRST_TURNS else LAST,
            )
        except Exception:
            given_back = jobs.give_back(claimed[number:])
            log.warning("jobs_given_back jobs=%d sent=%d", given_back, number)
            raise
    return len(claimed)


@shared_task(name="accounts.tasks.tidy_up", queue="alerts", ignore_result=True)
def tidy_up() -> int:
    """Put aside what failed at every attempt, for a person to look at; gives how many."""
    jobs.let_go_made_good(clockwork.MADE_GOOD)
    return len(jobs.put_aside())


@shared_task(name="accounts.tasks.call_workers", queue="alerts", ignore_result=True)
def call_workers() -> int:
    """Have each worker give a sign of life: a message to it alone, which it can only answer by work.

    A worker makes itself known when it starts. Gives how many were called.
    """
    known = [
        sign.nodename for sign in jobs.signs() if sign.nodename and sign.age_seconds <= GONE.total_seconds()
    ]
    if not known:
        return 0
    with current_app.pool.acquire(block=True) as connection, connection.channel() as channel:
        listening = [one for one in known if _waiting(channel, worker_direct(one).name) < MOST_CALLS_WAITING]
    for nodename in listening:
        call_worker(nodename)
    return len(listening)


@shared_task(name="accounts.tasks.call_worker", queue="alerts", ignore_result=True)
def call_worker(nodename: str) -> None:
    """Have one worker give a sign of life."""
    pulse.apply_async(queue=worker_direct(nodename), expires=55)


def _waiting(channel: Any, queue: str) -> int:
    try:
        return int(channel.queue_declare(queue=queue, passive=True).message_count)
    except ChannelError:  # an empty queue is none
        return 0


@shared_task(name="accounts.tasks.pulse", bind=True, queue="alerts", ignore_result=True)
def pulse(self: Any) -> None:
    """Answer a call: a message came in, and a row can be written."""
    if self.request.hostname:
        jobs.beat(jobs.of_worker(self.request.hostname))


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
        LOOK_AT_IMPORT,
        CARRY_OUT_IMPORT,
        SAY_STOPPED,
        TELL_OF_CLOSING,
        auditing.CHECK,
    ),
    "bulk",
)


def queue_of(kind: str) -> str:
    """By kind, never by operator."""
    return QUEUES.get(kind, "default")


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
    work.forget_works(
        files_before=clock.now() - timedelta(days=DAYS_FILES_KEPT),
        rows_before=clock.now() - timedelta(days=DAYS_WORK_KEPT),
    )
    _forget_workers()


def _forget_workers() -> None:
    """Workers that are gone, with the queues that were theirs alone."""
    gone = [sign.nodename for sign in jobs.forget_signs(older_than=GONE) if sign.nodename]
    if gone:
        with current_app.pool.acquire(block=True) as connection, connection.channel() as channel:
            for nodename in gone:
                queue = worker_direct(nodename)(channel)
                queue.declare()
                queue.delete()
