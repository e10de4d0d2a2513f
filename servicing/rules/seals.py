"""What a seal says and its hash, and the canonical form of whatever is hashed. ``docs/proof.md`` says it to customers."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID

import orjson

MOST_EVENTS_A_BLOCK = 1_024
# A block that is not full is sealed once its oldest event has waited so long.
OLDEST_UNSEALED = timedelta(minutes=15)
# What stands before the first seal.
NOTHING_BEFORE = bytes(32)


class Reason(StrEnum):
    """Why a block ended where it did: it was full, its oldest event was old enough, or somebody asked."""

    FULL = "full"
    AGE = "age"
    ASKED = "asked"


def canonical(content: Any) -> bytes:
    """JSON without spaces, keys in order of their code points, text in UTF-8 as it is.

    Ids are lower-case text; instants are UTC as in ISO 8601 with +00:00, with six digits of a second's fraction or,
    if it is zero, none.
    """
    return orjson.dumps(content, option=orjson.OPT_SORT_KEYS)


@dataclass(frozen=True, slots=True)
class SealedBlock:
    """One operator's events from one position to another: how many, their root, and the hash of the seal before.

    ``total`` counts all events up to the last one of this block.
    """

    operator_id: UUID
    number: int
    first_position: int
    last_position: int
    count: int
    total: int
    root: bytes
    previous_hash: bytes
    sealed_at: datetime
    reason: str

    def content(self) -> dict[str, Any]:
        """As JSON values: what the seal's hash is taken of."""
        return {
            "operator_id": self.operator_id,
            "number": self.number,
            "first_position": self.first_position,
            "last_position": self.last_position,
            "count": self.count,
            "total": self.total,
            "root": self.root.hex(),
            "previous_hash": self.previous_hash.hex(),
            "sealed_at": self.sealed_at,
            "reason": self.reason,
        }

    def hash(self) -> bytes:
        return hashlib.sha256(canonical(self.content())).digest()
