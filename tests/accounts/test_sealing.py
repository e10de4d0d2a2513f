"""What is sealed by a key of the environment opens only as it was sealed."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Any

from hypothesis import given as over
from hypothesis import strategies as st

from accounts.rules import sealing as seals


@over(st.binary(max_size=60), st.binary(max_size=20), st.data())
def test_what_is_sealed_opens_only_as_it_was_sealed(plain: bytes, about: bytes, data: Any) -> None:
    key = seals.key_for("words of the environment", "one purpose")
    blob = seals.seal(key, secrets.token_bytes(seals.NONCE_BYTES), about, plain)
    assert seals.unseal(key, blob, about) == plain
    assert seals.unseal(key, blob, about + b"x") is None
    for words, purpose in (("words of the environment", "another"), ("other words", "one purpose")):
        assert seals.unseal(seals.key_for(words, purpose), blob, about) is None
    at = data.draw(st.integers(0, len(blob) - 1))
    changed = blob[:at] + bytes([blob[at] ^ data.draw(st.integers(1, 255))]) + blob[at + 1 :]
    assert seals.unseal(key, changed, about) is None
    assert seals.unseal(key, blob[: data.draw(st.integers(0, len(blob) - 1))], about) is None


def test_a_key_is_hkdf_of_rfc_5869() -> None:
    # Worked by hand with HMAC alone (RFC 5869 section 2): extract with a salt of zeros, then the first block.
    extracted = hmac.digest(bytes(32), b"words", hashlib.sha256)
    expected = hmac.digest(extracted, b"wickround sealing 1: a purpose\x01", hashlib.sha256)
    assert seals.key_for("words", "a purpose") == expected
