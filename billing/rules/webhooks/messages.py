"""What is said to endpoints: thin messages that something changed and from where to read; the feed is the truth."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any
from uuid import UUID

CHANGED, GONE = "changed", "gone"
AVAILABLE = "changes.available"
TEST = "endpoint.test"
# An endpoint for which more than this waits is told once how much there is, instead of each.
MOST_WAITING = 100
MOST_BYTES = 20_000


def type_of(kind: str, *, gone: bool) -> str:
    """The type of the message about one change, such as "invoice.changed"."""
    return f"{kind}.{GONE if gone else CHANGED}"


def message_id(delivery_id: UUID) -> str:
    """The name by which a receiver knows a message again, over all attempts and replays."""
    return f"msg_{delivery_id.hex}"


def change_body(
    *,
    at: datetime,
    kind: str,
    object_id: UUID,
    version: int,
    gone: bool,
    feed_token: str,
    sequence: int,
) -> str:
    """``feed_token``: reading the feed after it gives this change, as the thing stands then, and what came later."""
    return _body(
        type_of(kind, gone=gone),
        at,
        {
            "kind": kind,
            "id": str(object_id),
            "version": version,
            "gone": gone,
            "feed_token": feed_token,
            "sequence": sequence,
        },
    )


def available_body(*, at: datetime, count: int, feed_token: str, sequence: int) -> str:
    """``count`` changes at this moment are to be read after ``feed_token``."""
    return _body(AVAILABLE, at, {"count": count, "feed_token": feed_token, "sequence": sequence})


def probe_body(*, at: datetime, feed_token: str, sequence: int) -> str:
    """Says nothing changed: whether it arrives and its signature holds is all that it is for."""
    return _body(TEST, at, {"feed_token": feed_token, "sequence": sequence})


def _body(kind: str, at: datetime, data: dict[str, Any]) -> str:
    """Type, instant and data, as Standard Webhooks 1.0.0 lays a payload out; always under its 20 kB."""
    said = {"type": kind, "timestamp": at.isoformat().replace("+00:00", "Z"), "data": data}
    text = json.dumps(said, separators=(",", ":"))
    assert len(text) < MOST_BYTES, "a message only hints"
    return text
