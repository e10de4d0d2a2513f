"""Where people are signed in, and by which browsers they have signed in before. Global: people belong to no operator."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from uuid import UUID

from accounts import clock
from accounts.models import KnownDevice, SignIn

# A browser that several people use keeps a word for each of the last few.
WORDS_A_COOKIE = 5
_BETWEEN = "."


def words_of(cookie: str) -> list[str]:
    """The words of a device cookie, the newest first."""
    return [word for word in cookie.split(_BETWEEN)[:WORDS_A_COOKIE] if word]


def cookie_of(words: Iterable[str]) -> str:
    return _BETWEEN.join(list(words)[:WORDS_A_COOKIE])


def device_digest(word: str) -> bytes:
    """What a device's word is kept as. It has 256 random bits, so a fast hash is enough."""
    return hashlib.sha256(word.encode()).digest()


def known_device(email: str, cookie: str) -> KnownDevice | None:
    """The browser whose cookie this is, if it is known for the person of this address; None for anybody else."""
    words = words_of(cookie)
    if not words:
        return None
    known = KnownDevice.objects.filter(digest__in=[device_digest(word) for word in words], user__email=email)
    return known.first()


def is_of_cookie(device: KnownDevice, cookie: str) -> bool:
    """Whether this cookie is the one that a device is known by."""
    return bytes(device.digest) in {device_digest(word) for word in words_of(cookie)}


def devices_of(user_id: UUID) -> list[KnownDevice]:
    """A person's known browsers, the one seen last first."""
    return list(KnownDevice.objects.filter(user_id=user_id).order_by("-seen_at", "id"))


def sign_ins_of(user_id: UUID) -> list[SignIn]:
    """A person's sessions that still hold, the one seen last first."""
    return list(
        SignIn.objects.filter(user_id=user_id, expire_date__gt=clock.now()).order_by(
            "-seen_at", "session_key"
        )
    )
