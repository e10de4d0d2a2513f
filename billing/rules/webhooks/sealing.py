"""An endpoint's signing secret, and how it lies in the database: readable only with a key of the environment.

AES-GCM is NIST SP 800-38D, HKDF is RFC 5869; both as `cryptography` does them. A blob is the nonce (12 bytes), the
ciphertext and the tag (16 bytes); what it belongs to is authenticated with it, so none can be moved to another endpoint.
"""

from __future__ import annotations

from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

NONCE_BYTES = 12
_KEY_BYTES = 32


def sealing_key(words: str) -> bytes:
    """32 bytes from the words of the environment, which serve for nothing else."""
    made = HKDF(algorithm=hashes.SHA256(), length=_KEY_BYTES, salt=None, info=b"wickround webhook secrets 1")
    return made.derive(words.encode())


def seal(key: bytes, nonce: bytes, operator_id: UUID, endpoint_id: UUID, secret: bytes) -> bytes:
    """A blob for one endpoint. A nonce must never serve twice with one key; random ones of 12 bytes do not."""
    return nonce + AESGCM(key).encrypt(nonce, secret, operator_id.bytes + endpoint_id.bytes)


def unseal(key: bytes, blob: bytes, operator_id: UUID, endpoint_id: UUID) -> bytes | None:
    """What was sealed; None for another key, another endpoint, or a blob that was changed."""
    about = operator_id.bytes + endpoint_id.bytes
    try:
        return AESGCM(key).decrypt(blob[:NONCE_BYTES], blob[NONCE_BYTES:], about)
    except InvalidTag:
        return None
