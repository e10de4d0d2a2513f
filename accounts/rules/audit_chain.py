"""Whether the entries of an audit still are what was noted: each is hashed with the one before it.

An entry's hash is SHA-256 (FIPS 180-4) over the 32 bytes of the hash before it, zeros before the first, and over what it
says in UTF-8. Whoever holds the database could change an entry and make all hashes after it anew; a head kept elsewhere
shows that, and also that entries at the end were taken away.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Self
from uuid import UUID

# What stands before the first entry.
NOTHING_BEFORE = bytes(32)


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry up to which something is known: its number and hash. Number 0 is before the first."""

    number: int = 0
    hash: bytes = NOTHING_BEFORE


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry as it is stored. ``columns``: what its text should say, as JSON values; ``about`` as JSON text."""

    number: int
    columns: Mapping[str, Any]
    about: str
    said: str
    previous_hash: bytes
    hash: bytes


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was noted: of which entry, and what."""

    number: int
    detail: str


def hash_of(previous: bytes, said: str) -> bytes:
    return hashlib.sha256(previous + said.encode()).digest()


def faults(
    operator_id: UUID, entries: Iterable[Kept], heads: Iterable[Head] = (), after: Head | None = None
) -> Iterator[Fault]:
    """Every fault in one operator's entries, in their order, read on from ``after`` to the last one there is.

    ``heads``: kept elsewhere; the entry of each must be there with that hash.
    """
    at = after or Head()
    waiting: dict[int, set[bytes]] = {}
    for head in heads:
        if head.number > at.number:
            waiting.setdefault(head.number, set()).add(head.hash)
    for entry in entries:
        yield from _faults_of(operator_id, entry, at)
        if waiting.pop(entry.number, {entry.hash}) != {entry.hash}:
            yield Fault(entry.number, "is not the entry whose hash was kept elsewhere.")
        at = Head(entry.number, entry.hash)
    for number in sorted(waiting):
        yield Fault(number, f"was kept elsewhere as the last one, and the entries end with {at.number}.")


def _faults_of(operator_id: UUID, entry: Kept, at: Head) -> Iterator[Fault]:
    """What is wrong with one entry, given the one before it."""
    if entry.number != at.number + 1:
        yield Fault(entry.number, f"follows entry {at.number}: what stood between is missing.")
    if entry.previous_hash != at.hash:
        yield Fault(entry.number, f"does not follow entry {at.number} as that is now.")
    if entry.hash != hash_of(entry.previous_hash, entry.said):
        yield Fault(entry.number, "its text or its hash was changed.")
    if not _says(operator_id, entry):
        yield Fault(entry.number, "its columns are not what its text says.")


def _says(operator_id: UUID, entry: Kept) -> bool:
    try:
        said = _exactly(entry.said)
        about = _exactly(entry.about)
    except ValueError:
        return False
    wanted = {
        **entry.columns,
        "operator": str(operator_id),
        "number": _Number(str(entry.number)),
        "about": about,
    }
    return said == wanted


class _Number(tuple[str]):
    """A number by its digits: 1.50 is not 1.5, nor the text of either."""

    __slots__ = ()

    def __new__(cls, digits: str) -> Self:
        return super().__new__(cls, (digits,))


def _exactly(text: str) -> Any:
    return json.loads(text, parse_int=_Number, parse_float=_Number, parse_constant=_Number)
