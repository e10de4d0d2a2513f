"""What is said to endpoints: thin messages that something changed and from where to read; the feed is the truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

CHANGED, GONE = "changed", "gone"
AVAILABLE = "changes.available"
TEST = "endpoint.test"
# Alerts are no rows of the feed: they open and close with the day. An endpoint that asks for them by this kind is told.
ALERT = "alert"
OPENED, CLOSED = "opened", "closed"
ALERTS_AVAILABLE = "alerts.available"
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


def alert_type(what: str) -> str:
    """The type of the message about one alert: "alert.opened" or "alert.closed"."""
    return f"{ALERT}.{what}"


def alert_id(endpoint_id: UUID, alert: UUID, turn: int, what: str) -> UUID:
    """The id of the delivery about one opening or closing: the same however often it is made."""
    return uuid5(endpoint_id, f"{ALERT}/{alert}/{turn}/{what}")


def alert_body(*, what: str, at: datetime, said: Mapping[str, Any], sequence: int) -> str:
    """``said``: which alert it is, and of what; ``at`` is when it opened or closed."""
    return _body(alert_type(what), at, {**said, "sequence": sequence})


def alerts_available_body(*, at: datetime, count: int, sequence: int) -> str:
    """``count`` alerts opened or closed: more than are told one by one. They are to be read where alerts are listed."""
    return _body(ALERTS_AVAILABLE, at, {"count": count, "sequence": sequence})


def probe_body(*, at: datetime, feed_token: str, sequence: int) -> str:
    """Says nothing changed: whether it arrives and its signature holds is all that it is for."""
    return _body(TEST, at, {"feed_token": feed_token, "sequence": sequence})


def _body(kind: str, at: datetime, data: dict[str, Any]) -> str:
    """Type, instant and data, as Standard Webhooks 1.0.0 lays a payload out; always under its 20 kB."""
    said = {"type": kind, "timestamp": at.isoformat().replace("+00:00", "Z"), "data": data}
    text = json.dumps(said, separators=(",", ":"))
    assert len(text) < MOST_BYTES, "a message only hints"
    return text
