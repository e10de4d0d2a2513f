"""A secret made unreadable by a key of the environment, for one purpose and one row.

AES-GCM is NIST SP 800-38D, HKDF is RFC 5869; both as `cryptography` does them. A blob is the nonce (12 bytes), the
ciphertext and the tag (16 bytes); what it belongs to is authenticated with it, so none can be moved to another row.
"""

from __future__ import annotations

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

KEY_BYTES = 32
NONCE_BYTES = 12
_TAG_BYTES = 16


def key_for(words: str, purpose: str) -> bytes:
    """32 bytes from the words of the environment, which serve for this purpose and for nothing else."""
    info = b"wickround sealing 1: " + purpose.encode()
    made = HKDF(algorithm=hashes.SHA256(), length=KEY_BYTES, salt=None, info=info)
    return made.derive(words.encode())


def seal(key: bytes, nonce: bytes, about: bytes, plain: bytes) -> bytes:
    """A blob that opens only with ``about``. A nonce must never serve twice with one key; random ones of 12 bytes do not."""
    return nonce + AESGCM(key).encrypt(nonce, plain, about)


def unseal(key: bytes, blob: bytes, about: bytes) -> bytes | None:
    """What was sealed; None for another key, another ``about``, or a blob that was changed."""
    if len(blob) < NONCE_BYTES + _TAG_BYTES:
        return None
    try:
        return AESGCM(key).decrypt(blob[:NONCE_BYTES], blob[NONCE_BYTES:], about)
    except InvalidTag:
        return None
