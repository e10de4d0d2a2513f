"""Messages sent once more under the same id, and a message that only tries whether an endpoint listens."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from accounts import clock, tenancy
from accounts.errors import Conflict, NotFound, TooLarge
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.webhooks import owing
from billing.commands.webhooks.telling import here, new_delivery
from billing.models import WebhookDelivery, WebhookEndpoint
from billing.queries import webhooks
from billing.rules.webhooks import messages

MOST_REPLAYED = 1_000


def send_test(*, actor: Actor, endpoint_id: UUID) -> WebhookDelivery:
    """Owe a message that says nothing but that it is a test. Conflict for a stopped endpoint."""
    require(actor, Permission.INTEGRATIONS_MANAGE)
    now = clock.now()
    with tenancy.writing(actor):
        webhooks.get_endpoint(endpoint_id)
        endpoint = WebhookEndpoint.objects.select_for_update().get(id=endpoint_id)
        _refuse_stopped(endpoint)
        sequence = endpoint.sequence + 1
        place = here()
        body = messages.probe_body(at=now, feed_token=place.token_after(place.head), sequence=sequence)
        delivery = new_delivery(endpoint, sequence, messages.TEST, body, now)
        owing.owe_new([delivery], now)
        WebhookEndpoint.objects.filter(id=endpoint_id).update(sequence=sequence)
    return delivery


def replay(*, actor: Actor, endpoint_id: UUID, delivery_id: UUID) -> WebhookDelivery:
    """Owe one message once more, at once: the same id and bytes, and as many attempts as it had when it was new.

    NotFound for no delivery of this endpoint, Conflict for a stopped endpoint.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    with tenancy.writing(actor):
        delivery = WebhookDelivery.objects.select_for_update().filter(id=delivery_id).first()
        endpoint = webhooks.get_endpoint(endpoint_id)
        if delivery is None or delivery.endpoint_id != endpoint.id:
            raise NotFound(_(webhooks.NO_DELIVERY))
        _refuse_stopped(endpoint)
        owing.owe_again([delivery], clock.now())
    return delivery


def replay_since(*, actor: Actor, endpoint_id: UUID, since: datetime, failed_only: bool = False) -> int:
    """Owe every message made since an instant once more, in their order; gives how many.

    ``failed_only``: those that did not arrive. TooLarge for more than a thousand, which the feed gives sooner.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    with tenancy.writing(actor):
        endpoint = webhooks.get_endpoint(endpoint_id)
        _refuse_stopped(endpoint)
        rows = WebhookDelivery.objects.filter(endpoint_id=endpoint_id, made_at__gte=since)
        if failed_only:
            rows = rows.filter(delivered_at=None)
        found = list(rows.select_for_update().order_by("id")[: MOST_REPLAYED + 1])
        if len(found) > MOST_REPLAYED:
            raise TooLarge(
                _(
                    "These are more than {most} messages. Choose a later time, or read the feed instead: it has everything.",
                    most=MOST_REPLAYED,
                )
            )
        owing.owe_again(sorted(found, key=lambda one: one.sequence), clock.now())
    return len(found)


def _refuse_stopped(endpoint: WebhookEndpoint) -> None:
    if endpoint.stopped_at is not None:
        raise Conflict(_("This endpoint is stopped, so nothing is sent there. Start it again first."))
