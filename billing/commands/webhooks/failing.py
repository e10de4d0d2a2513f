"""What attempts say of an endpoint: failing for days without a success stops it, and its owners are told by mail."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import accounts.queries
from accounts import jobs
from accounts.permissions import Role
from billing.models import WebhookEndpoint
from billing.rules.webhooks.schedule import FAILING

TELL = "billing.tasks.tell"
SAY_STOPPED = "billing.tasks.say_stopped"


def note_delivered(endpoint_id: UUID) -> None:
    """A message arrived, in the open transaction. What had to wait for room is told now."""
    WebhookEndpoint.objects.filter(id=endpoint_id).exclude(failing_since=None).update(failing_since=None)


def note_failed(endpoint_id: UUID, *, at: datetime, is_gone: bool = False) -> None:
    """An attempt failed, in the open transaction. ``is_gone``: the receiver said that it wants no more (HTTP 410)."""
    endpoint = WebhookEndpoint.objects.select_for_update().filter(id=endpoint_id, stopped_at=None).first()
    if endpoint is None:
        return
    if is_gone:
        stop(endpoint, at=at, why="gone")
    elif endpoint.failing_since is None:
        WebhookEndpoint.objects.filter(id=endpoint_id).update(failing_since=at)
    elif at - endpoint.failing_since >= FAILING:
        stop(endpoint, at=at, why="failing")


def stop(endpoint: WebhookEndpoint, *, at: datetime, why: str) -> None:
    """Stop an endpoint for a reason other than a person's wish, and owe each owner a mail of it."""
    WebhookEndpoint.objects.filter(id=endpoint.id).update(stopped_at=at, stopped_why=why)
    owners = accounts.queries.members().filter(role=Role.OWNER, is_active=True)
    key = f"{endpoint.id}/{at:%Y%m%dT%H%M%S}"
    jobs.enqueue_all(
        kind=SAY_STOPPED, refs={f"{key}/{owner.id}": f"{endpoint.id}/{owner.id}" for owner in owners}
    )
