"""What `manage.py check --deploy` says beside Django's own checks."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core import checks


@checks.register(checks.Tags.security, deploy=True)
def webhooks_stay_outside(**_asked: Any) -> list[checks.CheckMessage]:
    """Nobody may have webhooks sent to what is inside the network."""
    if not settings.WEBHOOK_ALLOW:
        return []
    return [
        checks.Warning(
            "WICKROUND_WEBHOOK_ALLOW lets webhooks reach receivers inside the network.",
            hint="It is for trials on one machine. Leave it empty where others may set the address of a webhook.",
            id="wickround.W001",
        )
    ]
