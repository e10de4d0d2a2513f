"""What attempts say of an endpoint: failing for days without a success stops it, and its owners are told by mail."""

from __future__ import annotations

from datetime import datetime

import accounts.queries
from accounts import jobs
from accounts.permissions import Role
from billing.commands.webhooks import alerting
from billing.commands.webhooks.telling import tell_rest
from billing.models import WebhookDelivery, WebhookEndpoint
from billing.rules.webhooks.schedule import FAILING

SAY_STOPPED = "billing.tasks.say_stopped"


def note_delivered(delivery: WebhookDelivery) -> None:
    """A message arrived, in the open transaction."""
    WebhookEndpoint.objects.filter(id=delivery.endpoint_id).exclude(failing_since=None).update(
        failing_since=None
    )
    tell_rest(delivery)
    alerting.tell_rest(delivery)


def note_failed(delivery: WebhookDelivery, *, at: datetime, is_gone: bool = False) -> None:
    """An attempt failed, in the open transaction. ``is_gone``: the receiver wants no more (HTTP 410)."""
    endpoint = (
        WebhookEndpoint.objects.select_for_update().filter(id=delivery.endpoint_id, stopped_at=None).first()
    )
    if endpoint is None:
        return
    if is_gone:
        _stop(endpoint, at, "gone")
    elif endpoint.failing_since is None:
        WebhookEndpoint.objects.filter(id=endpoint.id).update(failing_since=at)
    elif at - endpoint.failing_since >= FAILING:
        _stop(endpoint, at, "failing")
    tell_rest(delivery)
    alerting.tell_rest(delivery)


def _stop(endpoint: WebhookEndpoint, at: datetime, why: str) -> None:
    """Stop an endpoint without being asked to, and owe each owner a mail of it."""
    WebhookEndpoint.objects.filter(id=endpoint.id).update(stopped_at=at, stopped_why=why)
    owners = accounts.queries.members().filter(role=Role.OWNER, is_active=True)
    jobs.enqueue_all(
        kind=SAY_STOPPED,
        refs={f"{endpoint.id}/{at:%Y%m%dT%H%M%S%f}/{one.id}": f"{endpoint.id}/{one.id}" for one in owners},
    )
