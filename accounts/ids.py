"""Identifiers: UUIDv7 for rows and events, and the short codes printed on the labels of units."""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from uuid import UUID

from accounts import clock

LABEL_SYMBOLS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O, U: too easily read as 1, 1, 0, V
LABEL_CODE_LENGTH = 9

_ALPHABET_37_36 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_VALUE_37_36 = {symbol: value for value, symbol in enumerate(_ALPHABET_37_36)}
_SEPARATORS = re.compile(r"[\s\-\u2010-\u2015\u2212]+")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RANDOM_BYTES = 10
_draw = secrets.SystemRandom().random


def uuid7(at: datetime | None = None, random_bytes: bytes | None = None) -> UUID:
    """A version 7 UUID (RFC 9562, section 5.7): 48 bits of Unix milliseconds, then 74 random bits.

    ``at`` is an aware instant (default: the clock). ``random_bytes`` are 10 bytes read as one big-endian number; its
    lowest 74 bits are used, rand_a first. Two ids of one millisecond have no order. Raises ValueError for a naive
    instant, one before 1970 or a wrong number of bytes.
    """
    instant = clock.now() if at is None else at
    if instant.utcoffset() is None:
        raise ValueError(f"The instant {instant.isoformat()} has no offset from UTC.")
    milliseconds = (instant - _EPOCH) // timedelta(milliseconds=1)
    if milliseconds < 0:
        raise ValueError(f"The instant {instant.isoformat()} is before 1970.")
    drawn = secrets.token_bytes(_RANDOM_BYTES) if random_bytes is None else random_bytes
    if len(drawn) != _RANDOM_BYTES:
        raise ValueError(f"A UUIDv7 takes {_RANDOM_BYTES} random bytes, not {len(drawn)}.")
    bits = int.from_bytes(drawn, "big")
    rand_a, rand_b = bits >> 62 & 0xFFF, bits & (1 << 62) - 1
    return UUID(int=milliseconds << 80 | 0x7 << 76 | rand_a << 64 | 0b10 << 62 | rand_b)


def check_character(text: str) -> str:
    """The check character of a text of 0-9 and A-Z, after ISO/IEC 7064, hybrid system MOD 37,36.

    It finds every single wrong symbol and nearly every swap of two neighbours. Raises ValueError for other symbols.
    """
    product = 36
    for symbol in text:
        value = _VALUE_37_36.get(symbol)
        if value is None:
            raise ValueError(f"{symbol!r} is not one of 0-9 and A-Z.")
        product = ((product + value) % 36 or 36) * 2 % 37
    return _ALPHABET_37_36[(37 - product) % 36]


def is_label_code(code: str) -> bool:
    """Whether the text is a label's code as printed: eight symbols and their check character, upper case, no spaces."""
    return (
        len(code) == LABEL_CODE_LENGTH
        and all(symbol in LABEL_SYMBOLS for symbol in code)
        and check_character(code[:-1]) == code[-1]
    )


def new_label_code(draw: Callable[[], float] = _draw) -> str:
    """A fresh label code: eight drawn symbols and the check character.

    ``draw`` gives numbers in [0, 1). A draw whose check character would be I, L, O or U is drawn again.
    """
    while True:
        symbols = "".join(
            LABEL_SYMBOLS[int(draw() * len(LABEL_SYMBOLS))] for _ in range(LABEL_CODE_LENGTH - 1)
        )
        check = check_character(symbols)
        if check in LABEL_SYMBOLS:
            return symbols + check


def normalise_label_code(text: str) -> str:
    """What somebody typed or scanned, as a label prints it: upper case, without spaces and dashes."""
    return _SEPARATORS.sub("", text).upper()
