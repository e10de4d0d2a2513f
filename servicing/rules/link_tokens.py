"""The token of a service record's link: 100 bits that follow from the link's id and a secret, written as labels are."""

from __future__ import annotations

import hashlib
import hmac
import re
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID

from accounts.ids import LABEL_SYMBOLS, normalise_label_code

SYMBOLS = 20
_BITS = 5  # of one of 32 symbols
_WHOLE = re.compile(f"[{LABEL_SYMBOLS}]{{{SYMBOLS}}}")


def token_for(key: bytes, link_id: UUID) -> str:
    """Twenty symbols of HMAC-SHA256 (RFC 2104) over the link's id: its first 100 bits, five a symbol."""
    bits = int.from_bytes(hmac.digest(key, link_id.bytes, "sha256"), "big") >> (256 - SYMBOLS * _BITS)
    return "".join(LABEL_SYMBOLS[bits >> place * _BITS & 31] for place in reversed(range(SYMBOLS)))


def read_token(text: str) -> str:
    """A token as it is written, from what somebody typed or scanned; "" for what can be none."""
    token = normalise_label_code(text)
    return token if _WHOLE.fullmatch(token) else ""


def digest_of(token: str) -> bytes:
    """The SHA-256 of a token, by which its link is found. A token of 100 drawn bits needs no salt."""
    return hashlib.sha256(token.encode()).digest()


class Limit(NamedTuple):
    """At most so many uses in so many seconds."""

    most: int
    seconds: int


# Judgement: a person with a slow phone stays far below them, and a whole building that scans one code does too.
LIMITS = {
    "open": Limit(60, 60),
    "file": Limit(20, 60),
    "photo": Limit(600, 60),
    "report": Limit(5, 3_600),
}


def while_of(limit: Limit, at: datetime) -> tuple[datetime, int]:
    """When the while began that an instant lies in, and in how many whole seconds it ends (1 at least).

    Whiles lie end to end from 1970 on, so at most twice the limit fits into any one while that is looked at.
    """
    second = int(at.timestamp())
    began = second - second % limit.seconds
    return datetime.fromtimestamp(began, UTC), max(1, began + limit.seconds - second)
