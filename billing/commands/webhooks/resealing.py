"""A change of the environment's key: the signing secrets that the one before sealed are sealed by the present one."""

from __future__ import annotations

import os

from accounts import tenancy
from accounts.errors import BadInput
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.models import WebhookEndpoint
from billing.queries import webhooks
from billing.rules.webhooks import sealing


def reseal_secrets(*, actor: Actor) -> int:
    """Seal every signing secret anew, so that the key before can go. Gives how many endpoints have theirs.

    BadInput, and nothing changed, when one opens with none of the keys that are set.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    with tenancy.writing(actor):
        # Nothing else is waited for after these: whoever delivers has the delivery first, and then its endpoint.
        rows = list(WebhookEndpoint.objects.select_for_update().filter(removed_at=None).order_by("id"))
        for row in rows:
            row.secret, is_whole = _anew(row, row.secret)
            if row.secret_before is not None:
                row.secret_before, before_is_whole = _anew(row, row.secret_before)
                is_whole = is_whole and before_is_whole
            if not is_whole:
                raise BadInput(
                    _(
                        "The secret of the webhook {url} opens neither with WICKROUND_TEXT_KEY nor with "
                        "WICKROUND_TEXT_KEY_BEFORE, so nothing was changed. Set the key it was sealed by, or remove the webhook.",
                        url=row.url,
                    )
                )
        WebhookEndpoint.objects.bulk_update(rows, ["secret", "secret_before"])
    return len(rows)


def _anew(endpoint: WebhookEndpoint, blob: bytes | memoryview) -> tuple[bytes, bool]:
    """The same secret under the present key, and whether it could be opened."""
    operator_id, keys = tenancy.current_operator_id(), webhooks.sealing_keys()
    for key in keys:
        secret = sealing.unseal(key, bytes(blob), operator_id, endpoint.id)
        if secret is not None:
            nonce = os.urandom(sealing.NONCE_BYTES)
            return sealing.seal(keys[0], nonce, operator_id, endpoint.id, secret), True
    return bytes(blob), False
