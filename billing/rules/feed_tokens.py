"""Where a reader of the feed stands, as an opaque text: a position, in the history of one database, of one operator.

A position means something only in the history that it was drawn in. After a restore, or when another server took over,
the same numbers come again for other changes; so a token names its history, its ``epoch``. It stands behind what its
reader might not see as well, so it names the kinds that the reader could see: for one who sees more it is worth nothing.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import struct
from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

VERSION = 1
MOST_POSITION = 2**63 - 1
EPOCH_BYTES = 8
# What the feed tells of. A kind's place is its bit in every token that was ever given: new ones come at the end.
KINDS = ("customer", "invoice", "credit_note", "opening", "journal_entry", "payment", "refund")
# version, kinds, epoch, position; then so much of a SHA-256 over the operator and these. It finds slips, it keeps no secret.
_BODY = struct.Struct(f">BB{EPOCH_BYTES}sq")
_CHECK_BYTES = 6
TOKEN_LENGTH = (_BODY.size + _CHECK_BYTES) * 4 // 3


class UnreadableToken(ValueError):
    """A text that is no token, or one of another operator."""


@dataclass(frozen=True, slots=True)
class FeedToken:
    """``position``: the last change that was read, 0 before the first; ``epoch``: in which history; ``kinds``: of what."""

    epoch: bytes
    position: int
    kinds: frozenset[str]


def epoch_of(*identity: object) -> bytes:
    """The name of a history, of all that tells one from another."""
    return hashlib.sha256("/".join(str(part) for part in identity).encode()).digest()[:EPOCH_BYTES]


class TokenWriter:
    """Writes the tokens of one operator in one history, for a reader who sees these kinds; left out: all."""

    def __init__(self, operator_id: UUID, epoch: bytes, kinds: Collection[str] = KINDS) -> None:
        self._epoch = epoch
        self._kinds = sum(1 << bit for bit, kind in enumerate(KINDS) if kind in kinds)
        self._operator = operator_id.bytes

    def __call__(self, position: int) -> str:
        body = _BODY.pack(VERSION, self._kinds, self._epoch, position)
        return base64.urlsafe_b64encode(body + _check(self._operator, body)).decode()


def read_token(text: str, operator_id: UUID) -> FeedToken:
    """What a token says; raises UnreadableToken."""
    if len(text) != TOKEN_LENGTH or not text.isascii():
        raise UnreadableToken(text[:TOKEN_LENGTH])
    try:
        held = base64.b64decode(text, altchars=b"-_", validate=True)
    except binascii.Error as slip:
        raise UnreadableToken(text) from slip
    body, check = held[: _BODY.size], held[_BODY.size :]
    if check != _check(operator_id.bytes, body):
        raise UnreadableToken(text)
    version, bits, epoch, position = _BODY.unpack(body)
    if version != VERSION or position < 0:
        raise UnreadableToken(text)
    kinds = frozenset(kind for bit, kind in enumerate(KINDS) if bits >> bit & 1)
    return FeedToken(epoch, position, kinds)


def _check(operator: bytes, body: bytes) -> bytes:
    return hashlib.sha256(operator + body).digest()[:_CHECK_BYTES]
