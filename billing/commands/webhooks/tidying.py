"""By the day: what was lost is owed again, and what was delivered or given up long ago is forgotten."""

from __future__ import annotations

from datetime import datetime, timedelta

from billing.commands.webhooks import owing
from billing.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint

KEPT = timedelta(days=30)
AT_ONCE = 5_000


def tidy(now: datetime) -> int:
    """Inside the scope. Gives how many deliveries were forgotten; their sequence numbers are not used again."""
    for endpoint in WebhookEndpoint.objects.filter(stopped_at=None).order_by("id"):
        owing.owe_lost(endpoint.id, now)
    ended = WebhookDelivery.objects.filter(made_at__lt=now - KEPT, next_at=None).order_by("id")
    # One that is being sent once more at this moment is let be.
    old = list(ended.select_for_update(skip_locked=True).values_list("id", flat=True)[:AT_ONCE])
    WebhookAttempt.objects.filter(delivery_id__in=old).delete()
    return WebhookDelivery.objects.filter(id__in=old).delete()[0]
