"""Personal text made unreadable: a key for each person, wrapped by a master key, and AES-256-GCM for both.

AES-GCM is NIST SP 800-38D, HKDF is RFC 5869; both as `cryptography` does them. A blob is the nonce (12 bytes), the
ciphertext and the tag (16 bytes). What a blob belongs to is authenticated with it, so none can be moved to another row.
"""

from __future__ import annotations

import hashlib
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

KEY_BYTES = 32
NONCE_BYTES = 12


def master_key(secret: str) -> bytes:
    """32 bytes from the words of the environment, which serve for nothing else."""
    made = HKDF(
        algorithm=hashes.SHA256(), length=KEY_BYTES, salt=None, info=b"wickround personal text keys 1"
    )
    return made.derive(secret.encode())


def encrypt(key: bytes, nonce: bytes, operator_id: UUID, row_id: UUID, plain: bytes) -> bytes:
    """A blob for one row. A nonce must never serve twice with one key; random ones of 12 bytes do not."""
    return nonce + AESGCM(key).encrypt(nonce, plain, operator_id.bytes + row_id.bytes)


def decrypt(key: bytes, blob: bytes, operator_id: UUID, row_id: UUID) -> bytes | None:
    """What was encrypted; None for another key, another row, or a blob that was changed."""
    try:
        return AESGCM(key).decrypt(blob[:NONCE_BYTES], blob[NONCE_BYTES:], operator_id.bytes + row_id.bytes)
    except InvalidTag:
        return None


def blob_hash(blob: bytes) -> bytes:
    """SHA-256 over the ciphertext: a hash of the plain text could be guessed."""
    return hashlib.sha256(blob).digest()
