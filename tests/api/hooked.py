"""An operator whose program is told of changes: an endpoint, a message to it, and an endpoint that nobody misses."""

from __future__ import annotations

from uuid import UUID

from billing.commands.webhooks import endpoints, replaying
from tests.cast import Cast


def hooked(cast: Cast) -> dict[str, UUID | str]:
    """By the names that addresses use; ``spare_endpoint_id``: what a probe may remove."""
    kept, spare = (
        endpoints.add_endpoint(actor=cast.owner, url=f"https://books.quay.example/{name}").endpoint
        for name in ("hooks", "spare")
    )
    message = replaying.send_test(actor=cast.owner, endpoint_id=kept.id)
    return {"endpoint_id": kept.id, "delivery_id": message.id, "spare_endpoint_id": spare.id}
