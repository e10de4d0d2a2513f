"""Changes of the feed become messages to the endpoints that want to know, in the order of the feed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections

from accounts import clock, jobs
from accounts.ids import uuid7
from accounts.jobs import Job
from accounts.permissions import Actor
from accounts.tenancy import current_operator_id
from billing.commands.webhooks import owing
from billing.models import Change, WebhookDelivery, WebhookEndpoint
from billing.queries import webhooks
from billing.queries.feed.changes import history
from billing.rules.feed_tokens import TokenWriter
from billing.rules.webhooks import messages
from billing.rules.webhooks.messages import MOST_WAITING

# Owed by the database itself in the transaction of a change.
TELL = "billing.tasks.tell"
# As whoever notes a change in the feed takes it, until the commit.
CHANGES_LOCK_SQL = "SELECT pg_advisory_xact_lock(hashtextextended('changes/' || %s, 0))"


def tell(operator_id: UUID, job_id: UUID) -> bool:
    """Tell every live endpoint what changed since it was last told, as a job."""
    return jobs.perform(operator_id, job_id, _tell)


def _tell(_actor: Actor, job: Job) -> None:
    # Whatever was committed before these were owed is seen by the reads that follow.
    jobs.finish_like(job)
    now, place = clock.now(), here()
    for endpoint in WebhookEndpoint.objects.select_for_update().filter(stopped_at=None).order_by("id"):
        owing.owe_lost(endpoint.id, now)
        _tell_endpoint(endpoint, place, now)


@dataclass(frozen=True, slots=True)
class Here:
    """Where the feed ends, and what writes its tokens."""

    head: int
    token_after: TokenWriter


def here() -> Here:
    """Inside the scope: the end of the feed at this moment."""
    known = history()
    return Here(known.head, TokenWriter(current_operator_id(), known.epoch))


def _tell_endpoint(endpoint: WebhookEndpoint, place: Here, now: datetime) -> None:
    """One message a change; more than a hundred that wait become one message with their count.

    While such a message waits itself, what comes after it is not told until there is room: it says already that there is
    something to read, and a receiver that is away for a day is not met with thousands of messages.
    """
    waiting = webhooks.deliveries(endpoint.id).filter(webhooks.WAITING)
    untold = Change.objects.filter(position__gt=endpoint.told_position, position__lte=place.head)
    if endpoint.kinds:
        untold = untold.filter(kind__in=endpoint.kinds)
    room = MOST_WAITING - waiting.count()
    count = untold.count()
    # Messages sent once more may leave less than no room; what there is none of needs none.
    if count <= max(room, 0):
        made = [
            _of_change(endpoint, number, change, place, now)
            for number, change in enumerate(untold.order_by("position"), start=endpoint.sequence + 1)
        ]
    elif waiting.filter(type=messages.AVAILABLE).exists():
        return
    else:
        made = [_of_many(endpoint, count, place, now)]
    owing.owe_new(made, now)
    told = {"told_position": place.head, "sequence": endpoint.sequence + len(made)}
    WebhookEndpoint.objects.filter(id=endpoint.id).update(**told)


def _of_change(
    endpoint: WebhookEndpoint, sequence: int, change: Change, place: Here, now: datetime
) -> WebhookDelivery:
    body = messages.change_body(
        at=change.changed_at,
        kind=change.kind,
        object_id=change.object_id,
        version=change.version,
        gone=change.gone,
        feed_token=place.token_after(change.position - 1),
        sequence=sequence,
    )
    return new_delivery(endpoint, sequence, messages.type_of(change.kind, gone=change.gone), body, now)


def _of_many(endpoint: WebhookEndpoint, count: int, place: Here, now: datetime) -> WebhookDelivery:
    sequence = endpoint.sequence + 1
    body = messages.available_body(
        at=now, count=count, feed_token=place.token_after(endpoint.told_position), sequence=sequence
    )
    return new_delivery(endpoint, sequence, messages.AVAILABLE, body, now)


def new_delivery(
    endpoint: WebhookEndpoint, sequence: int, kind: str, body: str, now: datetime
) -> WebhookDelivery:
    """A delivery that is not stored yet."""
    delivery_id = uuid7(now)
    return WebhookDelivery(
        id=delivery_id,
        endpoint_id=endpoint.id,
        sequence=sequence,
        message_id=messages.message_id(delivery_id),
        type=kind,
        body=body,
        made_at=now,
    )


def owe_telling(key: str) -> None:
    """Owe a look at what is not told yet, in the open transaction; once a key."""
    jobs.enqueue(kind=TELL, dedup_key=key)


def owe_missed(key: str) -> None:
    """Owe an endpoint that is told from now on what it missed, in the open transaction; once a key.

    A change of another transaction owes nothing to an endpoint that it can't see. Those that were made before are waited
    for here, so that the look which is owed finds them; those that come later wait for this, and see the endpoint.
    """
    with connections["default"].cursor() as cursor:
        cursor.execute(CHANGES_LOCK_SQL, [str(current_operator_id())])
    owe_telling(key)


def tell_rest(delivery: WebhookDelivery) -> None:
    """An attempt of a delivery made room, perhaps: owe its endpoint what had to wait for that."""
    told = WebhookEndpoint.objects.filter(id=delivery.endpoint_id, stopped_at=None).values_list(
        "told_position", flat=True
    )
    for position in told:
        if Change.objects.filter(position__gt=position).exists():
            owe_telling(f"after {delivery.id}/{delivery.attempts}")
