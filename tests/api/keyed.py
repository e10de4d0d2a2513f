"""Sending with an Idempotency-Key, and what is recorded and kept by then."""

from __future__ import annotations

from accounts.models import KeptAnswer
from accounts.pages.door import actor_for
from accounts.permissions import Role
from billing.models import Payment

KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
REPLAYED = "Idempotency-Replayed"


def payment(cast, amount="20.00", **rest):
    return {"customer": str(cast.customer.id), "received_on": "2026-06-10", "amount": amount, **rest}


def send(client, path, body, key=KEY, **kwargs):
    return client.send(path, body, headers={"idempotency-key": key}, **kwargs)


def recorded(cast):
    with cast.reading():
        return Payment.objects.count()


def kept(cast):
    with cast.reading():
        return KeptAnswer.objects.count()


def keeper_actor(cast):
    return actor_for(cast.users[Role.BOOKKEEPER].pk, cast.operator.slug)


def only_row(cast):
    """The operator's one kept answer."""
    with cast.reading():
        return KeptAnswer.objects.get()
