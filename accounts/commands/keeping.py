"""What is to be done once however often it is asked: the answer is kept with the effect, under the asker's own key.

The key's row, the effect and the answer commit together, so there is nothing half done to clear up after a crash. A twin
that comes meanwhile waits on the row's unique key, then gets the answer of the first. A refusal keeps nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings
from django.db import OperationalError
from psycopg import errors as postgres

from accounts import clock, queries, tenancy
from accounts.errors import Conflict, InProgress, KeyReused
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import KeptAnswer
from accounts.permissions import Actor, system_actor

_PURPOSE = b"wickround kept answers"
_NONCE_BYTES = 12


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked: at which door, under which key of the asker's, and a SHA-256 over all that was sent."""

    route: str
    key: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered, byte for byte. ``is_repeated``: kept from an earlier time, and nothing was done now."""

    status: int
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)
    is_repeated: bool = False


def do_once(*, actor: Actor, asked: Asked, effect: Callable[[], Answer]) -> Answer:
    """Do the effect and keep its answer, or give the answer that is kept. What the effect raises undoes all of it.

    The effect asks for its own permissions. InProgress while another does the same (after 2 s), KeyReused when the key
    stands for something else, Conflict when the answer was kept under a secret that the server no longer has.
    """
    with tenancy.one_transaction(actor):
        kept, is_new = _row_of(actor, asked)
        if not is_new:
            return _repeated(kept, asked)
        answer = effect()
        KeptAnswer.objects.filter(id=kept.id).update(
            status=answer.status,
            headers=dict(answer.headers),
            body=_sealed(answer.body, kept, asked.key),
        )
        return answer


def forget_kept(before: datetime) -> int:
    """Delete the answers of all operators that were kept before an instant; gives how many."""
    forgotten = 0
    for operator_id in queries.operator_ids():
        with tenancy.writing(system_actor(operator_id)):
            forgotten += KeptAnswer.objects.filter(made_at__lt=before).delete()[0]
    return forgotten


def _row_of(actor: Actor, asked: Asked) -> tuple[KeptAnswer, bool]:
    """The key's row, and whether it is made now. Waits while another transaction makes it."""
    name = {
        "actor_kind": actor.kind,
        "actor_id": actor.id,
        "route": asked.route,
        "key": hashlib.sha256(asked.key.encode()).hexdigest(),
    }
    row = KeptAnswer(id=uuid7(), fingerprint=asked.fingerprint, made_at=clock.now(), **name)
    try:
        KeptAnswer.objects.bulk_create([row], ignore_conflicts=True)
    except OperationalError as wait:
        if isinstance(wait.__cause__, postgres.LockNotAvailable):
            raise InProgress(
                _("The same request is still being done. Send it again in a moment to get its answer."),
                retry_after_seconds=1,
            ) from wait
        raise
    kept = KeptAnswer.objects.get(**name)
    return kept, kept.id == row.id


def _repeated(kept: KeptAnswer, asked: Asked) -> Answer:
    if kept.fingerprint != asked.fingerprint:
        raise KeyReused(
            _("This Idempotency-Key was used for another request. Nothing was done; use a new key for this.")
        )
    assert kept.status is not None, "a row and its answer are stored together"
    return Answer(kept.status, _opened(kept, asked.key), kept.headers, is_repeated=True)


# An answer may hold a secret that is shown once. So the table keeps only a digest of the key, and an answer opens only to
# who has the key, on a server that has its own secret: a copy of the database alone opens none.


def _sealed(body: bytes, kept: KeptAnswer, key: str) -> bytes:
    nonce = os.urandom(_NONCE_BYTES)
    return nonce + AESGCM(_secret_of(settings.SECRET_KEY, key)).encrypt(nonce, body, kept.id.bytes)


def _opened(kept: KeptAnswer, key: str) -> bytes:
    stored = bytes(kept.body or b"")
    for secret in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        try:
            return AESGCM(_secret_of(secret, key)).decrypt(
                stored[:_NONCE_BYTES], stored[_NONCE_BYTES:], kept.id.bytes
            )
        except InvalidTag:
            continue
    raise Conflict(
        _(
            "This was done before, but its answer can no longer be read. Nothing was done now; read what is recorded."
        )
    )


def _secret_of(server_secret: str | bytes, key: str) -> bytes:
    secret = server_secret.encode() if isinstance(server_secret, str) else server_secret
    return hmac.digest(hmac.digest(secret, _PURPOSE, "sha256"), key.encode(), "sha256")
