"""Examples out of real calls: what is of the moment (ids, hashes, instants of the database) is put the same every time."""

from __future__ import annotations

import hashlib
import re
from typing import Any

from tests.api.calls import Call

_UUID = re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")
_DIGEST = re.compile(r"\b[0-9a-f]{64}\b")
_SLUG = re.compile(r"\bnorth-[0-9a-f]{10}\b")
_OF_THE_DATABASE = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+(?:Z|\+00:00)")
_MESSAGE = re.compile(r"\bmsg_[0-9a-f]{32}\b")
_LABEL = re.compile(r"\b[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-Z]\b")
# By the name of their member: opaque, and of no meaning to whoever reads.
OPAQUE = {
    "next": "WyIwMTllZDJhNS0wYzAwLTcwMDAtODAwMC0wMDAwMDAwMDAwMDEiXQ",
    "token": "AQAAAAAAAAABAAAAAAAAACo",
    "feed_token": "AQAAAAAAAAABAAAAAAAAACo",
    "secret": "whsec_aW52ZW50ZWQsIGFuZCBubyBvbmUncyBzZWNyZXQhISE",
}
# Members whose own members the description leaves open: those of a fit, by its method, and what came of work, by its kind.
FREE = {"basis", "parameters", "result"}
ROWS_SHOWN = 1
LINES_SHOWN = 3


def examples_of(call: Call) -> dict[str, Any]:
    """``request`` and ``answer`` as they stand in the description; neither for what is no text."""
    stand_in = _StandIns()
    found: dict[str, Any] = {}
    if isinstance(call.request, bytes):
        if not call.request.startswith(b"\xff\xd8"):
            found["request"] = call.request.decode()
    elif call.request is not None:
        found["request"] = stand_in(call.request)
    kind = call.answer.headers.get("Content-Type", "")
    if call.answer.status_code == 204:
        return found
    if kind.startswith("application/json"):
        found["answer"] = stand_in(_shortened(call.answer.json()))
    elif kind.startswith("text/csv"):
        body = b"".join(call.answer) if call.answer.streaming else call.answer.content
        found["answer"] = stand_in("\r\n".join(body.decode().split("\r\n")[:LINES_SHOWN]) + "\r\n")
    return found


def alike(stored: Any, fresh: Any) -> bool:
    """Whether two answers have the same members all the way down; a null or an empty list says nothing of what might stand there."""
    if isinstance(stored, dict) and isinstance(fresh, dict):
        return stored.keys() == fresh.keys() and all(
            name in FREE or alike(stored[name], fresh[name]) for name in stored
        )
    if isinstance(stored, list) and isinstance(fresh, list):
        return all(any(alike(one, other) for other in fresh) for one in stored) or not fresh
    return stored is None or fresh is None or type(stored) is type(fresh)


def _shortened(value: Any) -> Any:
    """A page with few of its rows, of each kind one."""
    if isinstance(value, dict):
        return {
            name: _few(inner)
            if name in {"results", "changes", "units"} and isinstance(inner, list)
            else inner
            for name, inner in value.items()
        }
    return value


def _few(rows: list[Any]) -> list[Any]:
    seen: dict[Any, Any] = {}
    for row in rows:
        seen.setdefault(row.get("kind") if isinstance(row, dict) else None, row)
    kinds = [row for row in seen.values() if isinstance(row, dict) and "version" in row]
    return kinds or rows[:ROWS_SHOWN]


class _StandIns:
    """The first id of an example is always the same one, and so is the second."""

    def __init__(self) -> None:
        self.known: dict[str, str] = {}

    def __call__(self, value: Any, name: str = "") -> Any:
        if isinstance(value, dict):
            return {key: self(inner, key) for key, inner in value.items()}
        if isinstance(value, list):
            return [self(inner, name) for inner in value]
        if not isinstance(value, str):
            return value
        if value and name in OPAQUE:
            return _prefixed(value, OPAQUE[name])
        value = _UUID.sub(lambda found: self.stand_in(found[0], "019ed2a5-0c00-7000-8000-{:012d}"), value)
        value = _DIGEST.sub(lambda found: self.stand_in(found[0], ""), value)
        value = _MESSAGE.sub("msg_019ed2a50c0070008000000000000001", value)
        value = _SLUG.sub("north-bank", value)
        return _OF_THE_DATABASE.sub("2026-06-15T12:00:00.000000Z", value)

    def stand_in(self, text: str, form: str) -> str:
        number = len(self.known) + 1
        made = form.format(number) if form else hashlib.sha256(str(number).encode()).hexdigest()
        return self.known.setdefault(text, made)


def _prefixed(value: str, opaque: str) -> str:
    """What tells a credential from another stays in front: a token of a phone begins with ``wr_``."""
    prefix = re.match(r"(?:wr|ws)_", value)
    return f"{prefix[0]}{'invented' * 5}" if prefix else opaque
