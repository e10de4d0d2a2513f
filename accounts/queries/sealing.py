"""What is sealed with a key of the environment, and read again. Needs no scope: it reads no table.

``purpose`` gives each kind of secret a key of its own; ``about`` says to what a secret belongs, such as the bytes of its
row's id, without which it does not open. Losing the key loses what was sealed with it. No report of an error shows it.
"""

from __future__ import annotations

import os

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.views.decorators.debug import sensitive_variables

from accounts.rules import sealing


@sensitive_variables("words")
def sealing_keys(purpose: str) -> list[bytes]:
    """The keys that may have sealed something for this purpose; the first one seals what is new."""
    words = [settings.TEXT_KEY or settings.SECRET_KEY, settings.TEXT_KEY_BEFORE]
    if not words[0]:
        raise ImproperlyConfigured(
            "Set WICKROUND_TEXT_KEY to a random text of at least 32 characters: nothing can be sealed without."
        )
    return [sealing.key_for(one, purpose) for one in words if one]


@sensitive_variables("plain")
def seal_bytes(purpose: str, about: bytes, plain: bytes) -> bytes:
    """A blob for a binary column."""
    return sealing.seal(sealing_keys(purpose)[0], os.urandom(sealing.NONCE_BYTES), about, plain)


@sensitive_variables("key", "plain")
def unseal_bytes(purpose: str, about: bytes, blob: bytes | memoryview) -> bytes | None:
    """What was sealed; None when it was for something else, was changed, or its key is not here any more."""
    for key in sealing_keys(purpose):
        plain = sealing.unseal(key, bytes(blob), about)
        if plain is not None:
            return plain
    return None


@sensitive_variables("text")
def seal_text(purpose: str, about: bytes, text: str) -> bytes:
    """As ``seal_bytes``, for a text."""
    return seal_bytes(purpose, about, text.encode())


@sensitive_variables("plain")
def unseal_text(purpose: str, about: bytes, blob: bytes | memoryview) -> str | None:
    """As ``unseal_bytes``, for a text."""
    plain = unseal_bytes(purpose, about, blob)
    return None if plain is None else plain.decode()


@sensitive_variables("plain")
def seal_anew(purpose: str, about: bytes, blob: bytes | memoryview) -> bytes | None:
    """The same under the present key, for a change of key; None when it opens with none."""
    plain = unseal_bytes(purpose, about, blob)
    return None if plain is None else seal_bytes(purpose, about, plain)
