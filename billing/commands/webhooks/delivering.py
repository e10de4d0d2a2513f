"""Webhooks as they go out: what is sent is read in one short transaction, what came of it is stored in another.

In between, while a receiver takes its time, nothing is held: no transaction, no row. A worker that dies there leaves the job
owed, and the same message, by the same id, is sent again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db.models import F
from django.db.models.functions import Greatest

from accounts import clock, tenancy
from accounts.ids import uuid7
from accounts.jobs import Job, begin_attempt
from accounts.permissions import system_actor
from billing.commands.webhooks import failing, owing, wire
from billing.commands.webhooks.wire import Answer
from billing.models import WebhookAttempt, WebhookDelivery
from billing.queries import webhooks
from billing.rules.webhooks import schedule, signing

# For so long a delivery belongs to whoever is sending it; longer than any attempt takes, shorter than a job's lease.
HELD = timedelta(seconds=30)

Send = Callable[[str, Mapping[str, str], bytes], Answer]


@dataclass(frozen=True, slots=True)
class _Attempt:
    """What is sent now. Without ``headers`` it can't be signed, and nothing is."""

    delivery_id: UUID
    url: str
    headers: Mapping[str, str]
    body: bytes
    began_at: datetime


def deliver(operator_id: UUID, job_id: UUID, *, send: Send = wire.post) -> bool:
    """Try a delivery once, as a job. False when there is nothing to try: it is done, not due, or being tried.

    Each try is one row of ``WebhookAttempt``. What failed is owed again after a pause, until it is given up.
    """
    actor = system_actor(operator_id)
    with tenancy.writing(actor, lock_timeout_ms=0):
        attempt = _begin(job_id)
    if attempt is None:
        return False
    if attempt.headers:
        answer = send(attempt.url, attempt.headers, attempt.body)
    else:
        answer = Answer("unreachable", "unsigned")
    with tenancy.writing(actor, lock_timeout_ms=0):
        _store(job_id, attempt, answer)
    return True


def _begin(job_id: UUID) -> _Attempt | None:
    """What to send, held for whoever asked first."""
    job = (
        Job.objects.select_for_update(skip_locked=True)
        .filter(id=job_id, done_at=None, given_up_at=None)
        .first()
    )
    if job is None:
        return None
    begin_attempt(job)
    now = clock.now()
    delivery = webhooks.to_deliver(UUID(job.ref), now)
    if delivery is None or not _hold(delivery, now):
        _let_be(job, now)
        return None
    body = delivery.body.encode()
    secrets = webhooks.signing_secrets(delivery.endpoint, now)
    # Its receiver compares this instant with its own clock.
    sent_at = int(clock.machine().timestamp())
    headers = signing.headers(secrets, delivery.message_id, sent_at, body) if secrets else {}
    return _Attempt(delivery.id, delivery.endpoint.url, headers, body, now)


def _hold(delivery: WebhookDelivery, now: datetime) -> bool:
    """Put off whoever else would send it now; False when another was first."""
    still = WebhookDelivery.objects.filter(webhooks.WAITING, id=delivery.id, next_at=delivery.next_at)
    return still.update(next_at=now + HELD) == 1


def _let_be(job: Job, now: datetime) -> None:
    """End a job that has nothing to do. One whose delivery is to be tried later, or being tried, is put off till then."""
    later = WebhookDelivery.objects.filter(
        webhooks.WAITING, id=job.ref, next_at__gt=now, endpoint__stopped_at=None, attempts__lt=_number(job)
    ).first()
    if later is None:
        Job.objects.filter(id=job.id).update(done_at=now, lease_until=None)
    else:
        # It was no attempt of the job's own.
        Job.objects.filter(id=job.id).update(
            run_at=later.next_at, lease_until=None, attempts=Greatest(F("attempts") - 1, 0)
        )


def _number(job: Job) -> int:
    """Which attempt of its delivery a job was owed for, from 1."""
    return int(job.dedup_key.split("/")[1])


def _store(job_id: UUID, attempt: _Attempt, answer: Answer) -> None:
    """What came of an attempt, and what follows from it; deliveries are locked before their endpoints."""
    now = clock.now()
    Job.objects.filter(id=job_id).update(done_at=now, lease_until=None)
    delivery = WebhookDelivery.objects.select_for_update().get(id=attempt.delivery_id)
    delivery.attempts += 1
    WebhookDelivery.objects.filter(id=delivery.id).update(attempts=delivery.attempts)
    WebhookAttempt.objects.create(
        id=uuid7(now),
        delivery=delivery,
        number=delivery.attempts,
        began_at=attempt.began_at,
        milliseconds=answer.milliseconds,
        status=answer.status,
        outcome=answer.outcome,
        detail=answer.detail,
    )
    if answer.outcome == "delivered":
        WebhookDelivery.objects.filter(id=delivery.id).update(
            delivered_at=now, next_at=None, given_up_at=None
        )
        failing.note_delivered(delivery)
        return
    # Another attempt may have brought it there meanwhile, or a person ended it.
    if delivery.delivered_at is None and delivery.given_up_at is None:
        _owe_next(delivery, answer, now)
    failing.note_failed(delivery, at=now, is_gone=answer.outcome == "gone")


def _owe_next(delivery: WebhookDelivery, answer: Answer, now: datetime) -> None:
    """The next attempt after a pause, or the end: after the last of them, or when the receiver wants nothing more."""
    series = delivery.attempts - delivery.replayed_after
    pause = None if answer.outcome == "gone" else schedule.pause(delivery.id, series, answer.retry_after)
    if pause is None:
        WebhookDelivery.objects.filter(id=delivery.id).update(given_up_at=now, next_at=None)
    else:
        owing.owe(delivery, now + pause)
