"""Signing secrets outlive a change of the environment's key: the same ones sign, under the new key alone."""

from __future__ import annotations

import pytest

from accounts.errors import BadInput, Forbidden
from accounts.permissions import Role
from billing.commands.webhooks import endpoints
from billing.commands.webhooks.resealing import reseal_secrets
from billing.models import WebhookEndpoint
from billing.queries import webhooks
from tests.cast import NOON

HOOK = "https://books.quay.example/hooks"


def signing(cast):
    with cast.reading():
        return [webhooks.signing_secrets(one, NOON) for one in webhooks.endpoints()]


def test_secrets_sealed_anew_sign_with_the_new_key_alone(north, settings):
    made = endpoints.add_endpoint(actor=north.owner, url=HOOK)
    endpoints.rotate_secret(actor=north.owner, endpoint_id=made.endpoint.id)
    removed = endpoints.add_endpoint(actor=north.owner, url=HOOK)
    endpoints.remove_endpoint(actor=north.owner, endpoint_id=removed.endpoint.id)
    (before,) = signing(north)
    assert len(before) == 2
    old, settings.TEXT_KEY = settings.SECRET_KEY, "a new random text of more than 32 characters"
    with pytest.raises(BadInput, match="nothing was changed"):
        reseal_secrets(actor=north.owner)

    settings.TEXT_KEY_BEFORE = old
    assert reseal_secrets(actor=north.owner) == 1
    settings.TEXT_KEY_BEFORE = ""

    assert signing(north) == [before]
    with north.reading():
        assert bytes(WebhookEndpoint.objects.get(id=removed.endpoint.id).secret) == b""


def test_only_who_sets_up_webhooks_seals_them_anew(north):
    for role in (Role.DISPATCHER, Role.BOOKKEEPER, Role.VIEWER):
        with pytest.raises(Forbidden):
            reseal_secrets(actor=north.actors[role])
