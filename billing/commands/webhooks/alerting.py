"""Alerts become messages to the endpoints that asked for them, in the order of the sweeps that opened and closed them."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from accounts import clock, jobs
from accounts.jobs import ALERTS_TURNED, Job
from accounts.permissions import Actor
from billing.commands.webhooks import owing
from billing.commands.webhooks.telling import new_delivery
from billing.models import AlertTelling, WebhookDelivery, WebhookEndpoint
from billing.queries import webhooks
from billing.rules.webhooks import messages
from billing.rules.webhooks.messages import CLOSED, MOST_WAITING, OPENED
from servicing.queries import noticing
from servicing.queries.noticing import AlertTurn


def begin_or_end(endpoint_id: UUID, kinds: Collection[str]) -> None:
    """Tell an endpoint of alerts from the next sweep on, or no more, in the open transaction; as it asked."""
    if messages.ALERT not in kinds:
        AlertTelling.objects.filter(endpoint_id=endpoint_id).delete()
        return
    AlertTelling.objects.get_or_create(endpoint_id=endpoint_id, defaults={"told_turn": noticing.head_turn()})


def owe_missed(key: str) -> None:
    """Owe a look at what opened and closed meanwhile, where any endpoint asks for alerts; once a key."""
    if AlertTelling.objects.exists():
        jobs.enqueue(kind=ALERTS_TURNED, dedup_key=key)


def tell(operator_id: UUID, job_id: UUID) -> bool:
    """Tell every live endpoint that asked for alerts which ones opened and closed since it was last told, as a job."""
    return jobs.perform(operator_id, job_id, _tell)


def _tell(_actor: Actor, job: Job) -> None:
    tellings = list(AlertTelling.objects.values_list("endpoint_id", flat=True))
    if not tellings:
        return
    # Whatever was committed before these were owed is seen by the reads that follow.
    jobs.finish_like(job)
    upto, now = noticing.head_turn(), clock.now()
    live = WebhookEndpoint.objects.select_for_update().filter(stopped_at=None, id__in=tellings)
    for endpoint in live.order_by("id"):
        owing.owe_lost(endpoint.id, now)
        _tell_endpoint(endpoint, upto, now)


def _tell_endpoint(endpoint: WebhookEndpoint, upto: int, now: datetime) -> None:
    """One message for each opening and each closing; more than there is room for become one message with their count.

    While such a message waits itself, what comes after it is not told: it says already that there is something to read.
    """
    telling = AlertTelling.objects.get(endpoint_id=endpoint.id)
    waiting = webhooks.deliveries(endpoint.id).filter(webhooks.WAITING)
    room = max(MOST_WAITING - waiting.count(), 0)
    count = noticing.count_turned(telling.told_turn, upto)
    turned = noticing.alerts_turned(telling.told_turn, upto, limit=room + 1)
    happened = [one for alert in turned for one in _happened(alert, telling.told_turn)]
    # An alert comes by its last turn, but may have opened before others that come sooner.
    happened.sort(key=lambda one: one.turn)
    if count <= room and len(happened) <= room:
        made = [
            _of_one(endpoint, one, number, now) for number, one in enumerate(happened, endpoint.sequence + 1)
        ]
    elif waiting.filter(type=messages.ALERTS_AVAILABLE).exists():
        return
    else:
        made = [_of_many(endpoint, count, upto, now)]
    owing.owe_new(made, now)
    AlertTelling.objects.filter(id=telling.id).update(told_turn=upto)
    WebhookEndpoint.objects.filter(id=endpoint.id).update(sequence=endpoint.sequence + len(made))


@dataclass(frozen=True, slots=True)
class _Happening:
    what: str
    alert: AlertTurn
    turn: int
    at: datetime


def _happened(alert: AlertTurn, told_turn: int) -> Iterator[_Happening]:
    """What an alert did after a turn: opened, closed, or both."""
    if alert.opened_turn > told_turn:
        yield _Happening(OPENED, alert, alert.opened_turn, alert.opened_at)
    if alert.closed_at is not None:
        yield _Happening(CLOSED, alert, alert.turn, alert.closed_at)


def _of_one(endpoint: WebhookEndpoint, one: _Happening, sequence: int, now: datetime) -> WebhookDelivery:
    alert = one.alert
    said: dict[str, Any] = {
        "id": str(alert.id),
        "kind": alert.kind,
        "unit": str(alert.unit_id),
        "unit_code": alert.unit_code,
        "site": str(alert.site_id),
        "site_code": alert.site_code,
        "first_day": f"{alert.first_day:%Y-%m-%d}",
    }
    made = new_delivery(
        endpoint,
        sequence,
        messages.alert_type(one.what),
        messages.alert_body(what=one.what, at=one.at, said=said, sequence=sequence),
        now,
    )
    return _known_as(made, messages.alert_id(endpoint.id, alert.id, one.turn, one.what))


def _of_many(endpoint: WebhookEndpoint, count: int, upto: int, now: datetime) -> WebhookDelivery:
    sequence = endpoint.sequence + 1
    body = messages.alerts_available_body(at=now, count=count, sequence=sequence)
    made = new_delivery(endpoint, sequence, messages.ALERTS_AVAILABLE, body, now)
    return _known_as(made, messages.alert_id(endpoint.id, endpoint.id, upto, messages.ALERTS_AVAILABLE))


def _known_as(delivery: WebhookDelivery, delivery_id: UUID) -> WebhookDelivery:
    """Under an id that follows from what it tells."""
    delivery.id, delivery.message_id = delivery_id, messages.message_id(delivery_id)
    return delivery


def tell_rest(delivery: WebhookDelivery) -> None:
    """An attempt of a delivery made room, perhaps: owe its endpoint the alerts that had to wait for that."""
    told = AlertTelling.objects.filter(endpoint_id=delivery.endpoint_id).values_list("told_turn", flat=True)
    for turn in told:
        if noticing.head_turn() > turn:
            jobs.enqueue(kind=ALERTS_TURNED, dedup_key=f"after {delivery.id}/{delivery.attempts}")
