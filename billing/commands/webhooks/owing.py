"""Deliveries that are to be tried: from when on, each as a job of its own."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

from accounts import jobs
from accounts.ids import uuid7
from billing.models import WebhookDelivery
from billing.queries import webhooks

DELIVER = "billing.tasks.deliver"
LOST_AFTER = timedelta(hours=1)


def owe(delivery: WebhookDelivery, at: datetime) -> None:
    """Owe the next attempt of a stored delivery at an instant, in the open transaction.

    A job that was owed for another instant finds the delivery not due, or not waiting, and does nothing.
    """
    WebhookDelivery.objects.filter(id=delivery.id).update(next_at=at, delivered_at=None, given_up_at=None)
    delivery.next_at, delivery.delivered_at, delivery.given_up_at = at, None, None
    jobs.enqueue(kind=DELIVER, dedup_key=_key(delivery), ref=str(delivery.id), run_at=at)


def owe_new(deliveries: Sequence[WebhookDelivery], at: datetime) -> None:
    """Store new deliveries and owe the first attempt of each at once."""
    for delivery in deliveries:
        delivery.next_at = at
    WebhookDelivery.objects.bulk_create(deliveries)
    _enqueue(deliveries)


def owe_again(deliveries: Sequence[WebhookDelivery], at: datetime) -> None:
    """Owe a new series of attempts of stored deliveries, which the open transaction has locked, at once."""
    for delivery in deliveries:
        delivery.replayed_after = delivery.attempts
        delivery.next_at, delivery.delivered_at, delivery.given_up_at = at, None, None
    WebhookDelivery.objects.bulk_update(
        deliveries, ["replayed_after", "next_at", "delivered_at", "given_up_at"], batch_size=500
    )
    _enqueue(deliveries)


def owe_lost(endpoint_id: UUID, now: datetime) -> None:
    """Owe again what should have been tried an hour ago and has no job any more, as when its workers died over it.

    A delivery that somebody has locked is being seen to. The endpoint may be locked already: this waits for nothing.
    """
    rows = WebhookDelivery.objects.filter(
        webhooks.WAITING, endpoint_id=endpoint_id, next_at__lt=now - LOST_AFTER
    )
    found = list(rows.select_for_update(skip_locked=True))
    if not found:
        return
    at_work = jobs.refs_at_work(DELIVER)
    lost = [one for one in found if str(one.id) not in at_work]
    for delivery in lost:
        delivery.next_at = now
    WebhookDelivery.objects.bulk_update(lost, ["next_at"])
    _enqueue(lost)


def _enqueue(deliveries: Sequence[WebhookDelivery]) -> None:
    jobs.enqueue_all(kind=DELIVER, refs={_key(one): str(one.id) for one in deliveries})


def _key(delivery: WebhookDelivery) -> str:
    """By attempt; each owing is a job of its own, since one that was owed before may have found nothing to do."""
    return f"{delivery.id}/{delivery.attempts + 1}/{uuid7().hex}"
