"""Endpoints that programs want to be told at, what was sent to each, and the secrets that sign it."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db.models import Count, Q, QuerySet

from accounts.errors import NotFound
from accounts.languages import N_, _
from accounts.tenancy import current_operator_id
from billing.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from billing.rules.webhooks import sealing, signing

WAITING = Q(delivered_at=None, given_up_at=None)
NO_DELIVERY = N_("There is no delivery to this endpoint with this id.")
STATES = {
    "waiting": WAITING,
    "delivered": Q(delivered_at__isnull=False),
    "given_up": Q(given_up_at__isnull=False),
}


def state_of(delivery: WebhookDelivery) -> str:
    """In which of ``STATES`` a delivery is."""
    if delivery.delivered_at is not None:
        return "delivered"
    return "waiting" if delivery.given_up_at is None else "given_up"


def sealing_keys() -> list[bytes]:
    """The keys that may have sealed a secret; the first one seals new ones."""
    words = [settings.TEXT_KEY or settings.SECRET_KEY, settings.TEXT_KEY_BEFORE]
    if not words[0]:
        raise ImproperlyConfigured(
            "Set WICKROUND_TEXT_KEY to a random text of at least 32 characters: webhooks can't be signed without."
        )
    return [sealing.sealing_key(one) for one in words if one]


def signing_secrets(endpoint: WebhookEndpoint, at: datetime) -> list[str]:
    """The secrets that sign a message of this moment, each as "whsec_..."; the newest first.

    Empty when none can be read: they were sealed with a key that is not here any more.
    """
    signs_too = endpoint.before_until is not None and at < endpoint.before_until
    blobs = [endpoint.secret, endpoint.secret_before if signs_too else None]
    found = (_unsealed(bytes(blob), endpoint.id) for blob in blobs if blob)
    return [signing.secret_of(secret) for secret in found if secret is not None]


def _unsealed(blob: bytes, endpoint_id: UUID) -> bytes | None:
    for key in sealing_keys():
        secret = sealing.unseal(key, blob, current_operator_id(), endpoint_id)
        if secret is not None:
            return secret
    return None


def to_deliver(delivery_id: UUID, at: datetime) -> WebhookDelivery | None:
    """A delivery that is to be tried now, with its endpoint; None for one that is done, not due or of a stopped one.

    A job that was owed before a replay or a restart finds its delivery not due, and has nothing to do.
    """
    rows = WebhookDelivery.objects.select_related("endpoint").filter(WAITING, next_at__lte=at)
    return rows.filter(id=delivery_id, endpoint__stopped_at=None).first()


def endpoints() -> QuerySet[WebhookEndpoint]:
    """Those that were not removed."""
    return WebhookEndpoint.objects.filter(removed_at=None).order_by("id")


def stopped() -> list[WebhookEndpoint]:
    """Those that get nothing until somebody starts them again, but for what somebody stopped by hand."""
    return list(endpoints().exclude(stopped_at=None).exclude(stopped_why="by_hand"))


def get_endpoint(endpoint_id: UUID) -> WebhookEndpoint:
    found = endpoints().filter(id=endpoint_id).first()
    if found is None:
        raise NotFound(_("There is no webhook endpoint here with this id."))
    return found


def deliveries(endpoint_id: UUID) -> QuerySet[WebhookDelivery]:
    """What was and is to be sent to an endpoint, the latest first."""
    return WebhookDelivery.objects.filter(endpoint_id=endpoint_id).order_by("-sequence")


def get_delivery(endpoint_id: UUID, delivery_id: UUID) -> WebhookDelivery:
    found = deliveries(endpoint_id).filter(id=delivery_id).first()
    if found is None:
        raise NotFound(_(NO_DELIVERY))
    return found


def attempts_of(delivery_ids: Collection[UUID]) -> dict[UUID, list[WebhookAttempt]]:
    """By delivery its attempts, the first one first; each delivery is there."""
    found: dict[UUID, list[WebhookAttempt]] = {one: [] for one in delivery_ids}
    for row in WebhookAttempt.objects.filter(delivery_id__in=found).order_by("number"):
        found[row.delivery_id].append(row)
    return found


def last_attempts(delivery_ids: Collection[UUID]) -> dict[UUID, WebhookAttempt]:
    """By delivery its last attempt; one that was not tried yet is not there."""
    rows = WebhookAttempt.objects.filter(delivery_id__in=delivery_ids)
    rows = rows.order_by("delivery_id", "-number").distinct("delivery_id")
    return {row.delivery_id: row for row in rows}


def counts_by_state(endpoints_asked: Collection[WebhookEndpoint]) -> dict[UUID, dict[str, int]]:
    """By endpoint how many deliveries are in each of ``STATES``, of those that are kept."""
    found = {one.id: dict.fromkeys(STATES, 0) for one in endpoints_asked}
    rows = WebhookDelivery.objects.filter(endpoint_id__in=found).order_by().values("endpoint_id")
    for row in rows.annotate(**{state: Count("id", filter=which) for state, which in STATES.items()}):
        found[row.pop("endpoint_id")] = row
    return found
