"""Where programs want to be told of changes: made, changed, given a new secret, stopped, started again and removed."""

from __future__ import annotations

import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.commands.webhooks import alerting, owing, wire
from billing.commands.webhooks.telling import here, owe_missed
from billing.models import WebhookDelivery, WebhookEndpoint
from billing.models.webhooks import WEBHOOK_KINDS
from billing.queries import webhooks
from billing.rules.webhooks import addresses, sealing, signing

MOST_ENDPOINTS = 20
MOST_URL = addresses.MOST_CHARACTERS
MOST_DESCRIPTION = 120
# How long the secret before goes on signing, in hours.
USUAL_OVERLAP, MOST_OVERLAP = 24, 7 * 24


@dataclass(frozen=True, slots=True)
class Made:
    """An endpoint with its new secret, which is in nothing else that is ever read."""

    endpoint: WebhookEndpoint
    secret: str


def add_endpoint(*, actor: Actor, url: str, description: str = "", kinds: Sequence[str] = ()) -> Made:
    """Tell an address of every change from now on; of some ``kinds`` only, where any are given. Of alerts only by name.

    BadInput for an address that nothing is sent to; Conflict when there are as many endpoints as there may be.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    wanted = _checked(url, description, kinds)
    now = clock.now()
    with tenancy.writing(actor):
        if webhooks.endpoints().count() >= MOST_ENDPOINTS:
            raise Conflict(
                _("There are {most} endpoints, which is the most. Remove one first.", most=MOST_ENDPOINTS)
            )
        endpoint = WebhookEndpoint(
            id=uuid7(now), made_at=now, made_by=actor.id, told_position=here().head, **wanted
        )
        secret = _new_secret(endpoint)
        endpoint.save(force_insert=True)
        alerting.begin_or_end(endpoint.id, wanted["kinds"])
        owe_missed(f"new {endpoint.id}")
    return Made(endpoint, secret)


def change_endpoint(
    *,
    actor: Actor,
    endpoint_id: UUID,
    url: str,
    description: str = "",
    kinds: Sequence[str] = (),
    live: bool | None = None,
) -> WebhookEndpoint:
    """Set where an endpoint is and what it wants; stop it or start it again where ``live`` says so.

    What waits goes to the new address.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    wanted = _checked(url, description, kinds)
    with tenancy.writing(actor):
        endpoint = _locked(endpoint_id)
        WebhookEndpoint.objects.filter(id=endpoint.id).update(**wanted)
        alerting.begin_or_end(endpoint.id, wanted["kinds"])
        if live is not None and live is not (endpoint.stopped_at is None):
            (_start if live else _stop)(endpoint)
        return webhooks.get_endpoint(endpoint_id)


def rotate_secret(*, actor: Actor, endpoint_id: UUID, overlap_hours: int = USUAL_OVERLAP) -> Made:
    """Make a new secret. The one before signs as well for ``overlap_hours`` (0: it ends at once).

    Conflict while two sign already and one would have to end before its time: its receiver may know no other yet.
    """
    require(actor, Permission.INTEGRATIONS_MANAGE)
    if not 0 <= overlap_hours <= MOST_OVERLAP:
        detail = _("The secret before signs for up to {most} hours more.", most=MOST_OVERLAP)
        raise BadInput(detail, errors=[Problem("/overlap_hours", "out-of-range", detail)])
    with tenancy.writing(actor):
        endpoint, now = _locked(endpoint_id), clock.now()
        if overlap_hours and endpoint.before_until is not None and now < endpoint.before_until:
            two = _("Two secrets sign already. Wait until the one before has ended, or let both end at once.")
            raise Conflict(two, errors=[Problem("/overlap_hours", "two-live", two)])
        endpoint.secret_before, endpoint.before_until = None, None
        if overlap_hours:
            endpoint.secret_before = endpoint.secret
            endpoint.before_until = now + timedelta(hours=overlap_hours)
        secret = _new_secret(endpoint)
        endpoint.save(update_fields=["secret", "secret_before", "before_until"])
    return Made(endpoint, secret)


def stop_endpoint(*, actor: Actor, endpoint_id: UUID) -> None:
    """Send nothing there from now on. What is not told yet, and what waits, is kept until it starts again."""
    require(actor, Permission.INTEGRATIONS_MANAGE)
    with tenancy.writing(actor):
        endpoint = _locked(endpoint_id)
        if endpoint.stopped_at is None:
            _stop(endpoint)


def start_endpoint(*, actor: Actor, endpoint_id: UUID) -> None:
    """Send there again: what waited, and what changed meanwhile."""
    require(actor, Permission.INTEGRATIONS_MANAGE)
    with tenancy.writing(actor):
        endpoint = _locked(endpoint_id)
        if endpoint.stopped_at is not None:
            _start(endpoint)


def remove_endpoint(*, actor: Actor, endpoint_id: UUID) -> None:
    """End an endpoint for good: its secrets are forgotten, and what waits is given up."""
    require(actor, Permission.INTEGRATIONS_MANAGE)
    now = clock.now()
    with tenancy.writing(actor):
        endpoint = _locked(endpoint_id)
        waiting = WebhookDelivery.objects.filter(webhooks.WAITING, endpoint_id=endpoint_id)
        waiting.update(given_up_at=now, next_at=None)
        endpoint.secret, endpoint.secret_before, endpoint.before_until = b"", None, None
        endpoint.stopped_at = endpoint.stopped_at or now
        endpoint.removed_at = now
        endpoint.save()


def _locked(endpoint_id: UUID) -> WebhookEndpoint:
    """An endpoint and what waits for it. Deliveries come first: so does whoever stores an attempt."""
    waiting = WebhookDelivery.objects.filter(webhooks.WAITING, endpoint_id=endpoint_id)
    list(waiting.select_for_update().order_by("id").values_list("id"))
    webhooks.get_endpoint(endpoint_id)
    found: WebhookEndpoint = WebhookEndpoint.objects.select_for_update().get(id=endpoint_id)
    return found


def _stop(endpoint: WebhookEndpoint) -> None:
    WebhookEndpoint.objects.filter(id=endpoint.id).update(stopped_at=clock.now(), stopped_why="by_hand")


def _start(endpoint: WebhookEndpoint) -> None:
    """Those that waited begin a series of attempts anew; the time that it was stopped is no failure."""
    WebhookEndpoint.objects.filter(id=endpoint.id).update(stopped_at=None, stopped_why="", failing_since=None)
    waiting = WebhookDelivery.objects.filter(webhooks.WAITING, endpoint_id=endpoint.id)
    now = clock.now()
    owing.owe_again(list(waiting.order_by("sequence")), now)
    owe_missed(f"start {endpoint.id}/{now:%Y%m%dT%H%M%S%f}")
    alerting.owe_missed(f"start {endpoint.id}/{now:%Y%m%dT%H%M%S%f}")


def _new_secret(endpoint: WebhookEndpoint) -> str:
    secret = secrets.token_bytes(signing.NEW_BYTES)
    endpoint.secret = sealing.seal(
        webhooks.sealing_keys()[0],
        os.urandom(sealing.NONCE_BYTES),
        tenancy.current_operator_id(),
        endpoint.id,
        secret,
    )
    return signing.secret_of(secret)


def _checked(url: str, description: str, kinds: Sequence[str]) -> dict[str, Any]:
    """The values as they are stored; BadInput names each that can't be."""
    problems = []
    try:
        url = addresses.vet(url.strip(), trials=wire.trials()).url
    except addresses.Unfit as why:
        problems.append(Problem("/url", "unfit-address", str(why)))
    if len(description.strip()) > MOST_DESCRIPTION:
        detail = _("A description has up to {most} characters.", most=MOST_DESCRIPTION)
        problems.append(Problem("/description", "too-long", detail))
    if set(kinds) - set(WEBHOOK_KINDS):
        detail = _("Choose among: {kinds}.", kinds=", ".join(WEBHOOK_KINDS))
        problems.append(Problem("/kinds", "unknown-kind", detail))
    if problems:
        raise BadInput(_("The endpoint was not saved."), errors=problems)
    ordered = [kind for kind in WEBHOOK_KINDS if kind in kinds]
    return {"url": url, "description": description.strip(), "kinds": ordered}
