"""Signatures of webhooks by Standard Webhooks 1.0.0 (specification, "Signature scheme"): HMAC-SHA256 over id, time and body."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Sequence

SECRET_PREFIX = "whsec_"  # noqa: S105
# The specification's sizes of a secret before it is written in base64.
LEAST_BYTES, MOST_BYTES = 24, 64
NEW_BYTES = 32
VERSION = "v1"  # symmetric; "v1a" would be a public key


def secret_of(key: bytes) -> str:
    """A secret as its receiver is given it: ``whsec_`` and base64 of 24 to 64 random bytes."""
    if not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise ValueError(f"A webhook's secret has {LEAST_BYTES} to {MOST_BYTES} bytes.")
    return SECRET_PREFIX + base64.b64encode(key).decode("ascii")


def key_of(secret: str) -> bytes:
    """The bytes of a secret as ``secret_of`` writes it; ValueError for anything else."""
    if not secret.startswith(SECRET_PREFIX):
        raise ValueError(f"A webhook's secret begins with {SECRET_PREFIX}.")
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except binascii.Error:
        raise ValueError("A webhook's secret is base64 after its prefix.") from None
    if not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise ValueError(f"A webhook's secret has {LEAST_BYTES} to {MOST_BYTES} bytes.")
    return key


def sign(secrets: Sequence[str], message_id: str, timestamp: int, body: bytes) -> str:
    """The value of ``webhook-signature``: one signature a secret, the newest first, with spaces between them.

    ``timestamp``: of this attempt, in whole seconds since 1970 (UTC). A receiver takes a message one of whose signatures
    is by a secret that it knows, so while a secret is being changed both sign. ValueError without any secret, or for an
    id with a full stop, which would let id, time and body be cut in two ways.
    """
    if not secrets:
        raise ValueError("A webhook is signed by at least one secret.")
    if not message_id or "." in message_id:
        raise ValueError("A webhook's id has no full stop in it.")
    signed = b".".join((message_id.encode("ascii"), str(timestamp).encode("ascii"), body))
    return " ".join(f"{VERSION},{_signature(key_of(secret), signed)}" for secret in secrets)


def _signature(key: bytes, signed: bytes) -> str:
    return base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode("ascii")


def headers(secrets: Sequence[str], message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """The three headers of one attempt. Id and body stay over all attempts, time and signatures do not."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": sign(secrets, message_id, timestamp, body),
    }
