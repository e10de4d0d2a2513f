"""What a password may be: long, and nothing that is tried first. Nothing is asked of the kinds of its characters.

By OWASP ASVS 5.0, 6.2 (length, lists, words of the context, no rules of composition), which follows NIST SP 800-63B
section 3.1.1. What is called common is a list that the caller has.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator
from enum import StrEnum

LEAST, MOST = 12, 128
# Whoever knows a person tries what they are called and where they work; the product is known to all. What is left of a
# password without such words must be as long as this.
OWN_WORDS = ("wickround", "wick")
_LEAST_LEFT = 6
_LEAST_WORD = 3
_LEAST_DIFFERENT = 5
# In rows of a keyboard, in the alphabet or in numbers, forwards or backwards.
_ROWS = ("abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "qwertzuiop", "asdfghjkl", "zxcvbnm")
_STEPS_LIKE_A_ROW = 0.75
# Letters that are written as something else, which is tried as well.
_AS_LETTERS = str.maketrans(
    {"0": "o", "1": "l", "3": "e", "4": "a", "5": "s", "7": "t", "@": "a", "$": "s", "!": "i"}
)


class Weakness(StrEnum):
    """What is wrong with a password."""

    SHORT = "short"
    LONG = "long"
    COMMON = "common"
    KNOWN_WORDS = "known-words"
    MONOTONE = "monotone"


def weaknesses(password: str, *, words: Iterable[str], common: Collection[str]) -> list[Weakness]:
    """Why a password may not be; nothing for one that may. Of its length, and of why it is tried first, one reason each.

    ``words``: what others know of its person, such as their name, e-mail address and operators. ``common``: passwords in lower
    case that are in use by many.
    """
    if len(password) > MOST:
        return [Weakness.LONG]
    tried_first = _tried_first(_plain(password), words, common)
    found = [Weakness.SHORT] if len(password) < LEAST else []
    return [*found, tried_first] if tried_first else found


def _tried_first(plain: str, words: Iterable[str], common: Collection[str]) -> Weakness | None:
    if any(_core(one) in common or one in common for one in _readings(plain)):
        return Weakness.COMMON
    if _is_of_known_words(plain, words):
        return Weakness.KNOWN_WORDS
    if len(set(plain)) < _LEAST_DIFFERENT or _is_row(plain):
        return Weakness.MONOTONE
    return None


def _plain(text: str) -> str:
    """Without what makes no difference to who guesses: case, and ways to write one character."""
    return unicodedata.normalize("NFKC", text).casefold()


def _readings(plain: str) -> Iterator[str]:
    """As it is, with its signs read as letters, and what each of these repeats."""
    for one in (plain, plain.translate(_AS_LETTERS)):
        yield one
        yield from (_repeated(text) for text in (one, _core(one)))


def _repeated(text: str) -> str:
    """The shortest text of which it is a row of copies; itself for most."""
    at = (text + text).find(text, 1)
    return text[:at]


def _core(text: str) -> str:
    """Without the digits and signs that are put before or behind a word."""
    return re.sub(r"^[\W\d_]+|[\W\d_]+$", "", text)


def _is_of_known_words(plain: str, words: Iterable[str]) -> bool:
    """Whether few letters and digits are left when the words of the context are taken out, the longest first."""
    known = {part for word in (*words, *OWN_WORDS) for part in _parts(word)}
    left = plain
    for part in sorted(known, key=len, reverse=True):
        left = left.replace(part, " ")
    return left != plain and sum(character.isalnum() for character in left) < _LEAST_LEFT


def _parts(word: str) -> Iterator[str]:
    whole = _plain(word)
    yield from (one for one in (whole, *re.split(r"[\W_]+", whole)) if len(one) >= _LEAST_WORD)


def _is_row(plain: str) -> bool:
    """Whether most of its steps go along a row of the keyboard, the alphabet or the numbers."""
    steps = [plain[at : at + 2] for at in range(len(plain) - 1)]
    along = sum(any(step in row or step in row[::-1] for row in _ROWS) for step in steps)
    return along >= _STEPS_LIKE_A_ROW * len(steps)
