"""A probe: the same request twice, once with what is a rival's and once with what nobody has."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urlencode

from django.utils.html import escape

from tests.probes.ground import Caller
from tests.probes.rows import UUIDS

FORM = "application/x-www-form-urlencoded"
# What differs from one answer to the next of the very same request: in headers, and in what is said.
OF_THE_MOMENT = {
    "request-id",
    "set-cookie",
    "date",
    "expires",
    "content-length",
    "ratelimit",
    "ratelimit-policy",
}
# Headers that may say again what was asked.
SAYING = {"location", "link", "content-disposition", "etag", "content-location"}
_MOMENTS = (
    re.compile(r'name="csrfmiddlewaretoken" value="[^"]*"'),
    re.compile(r'data-(?:etag|token)="[^"]*"'),
    re.compile(r'"position":\d+'),
    # Of a page's bytes, which hold what was asked.
    re.compile(r'W/"[0-9a-f]{32}"'),
    # Ids that a form brings along for what it will make; whether one is a rival's is asked before.
    UUIDS,
)


@dataclass(frozen=True)
class Ask:
    """A request; ``values`` are what it says of a rival's (or of nobody's), in the order in which both say them."""

    method: str
    path: str
    values: tuple[str, ...] = ()
    query: Mapping[str, str] = field(default_factory=dict)
    body: Any = None
    kind: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)

    def send(self, caller: Caller) -> Seen:
        address = self.path + (f"?{urlencode(self.query)}" if self.query else "")
        headers = {name.lower(): value for name, value in self.headers.items()}
        answer = caller.client.generic(self.method, address, self._sent(), self.kind, headers=headers)
        return Seen.of(answer)

    def _sent(self) -> bytes | str:
        if isinstance(self.body, bytes):
            return self.body
        if self.kind == FORM:
            return urlencode(self.body or {}, doseq=True)
        return "" if self.body is None else json.dumps(self.body)


@dataclass(frozen=True)
class Seen:
    """What was answered."""

    status: int
    text: str
    headers: Mapping[str, str]

    @classmethod
    def of(cls, answer: Any) -> Seen:
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        return cls(answer.status_code, content.decode("utf-8", "replace"), dict(answer.headers))

    def without(self, values: tuple[str, ...]) -> tuple[int, str, dict[str, str]]:
        """The answer with a star for each value that the request itself said."""
        headers = {
            name: _starred(value, values) if name.lower() in SAYING else value
            for name, value in self.headers.items()
            if name.lower() not in OF_THE_MOMENT
        }
        return self.status, _starred(self.text, values), headers

    def alike(self, values: tuple[str, ...]) -> tuple[int, str, dict[str, str]]:
        """What of it must be the same when somebody else is asked for: without what is of the moment."""
        status, text, headers = self.without(values)
        return status, _timeless(text), {name: _timeless(value) for name, value in headers.items()}


def _timeless(text: str) -> str:
    for moment in _MOMENTS:
        text = moment.sub("#", text)
    return text


def _starred(text: str, values: tuple[str, ...]) -> str:
    for value in sorted(values, key=len, reverse=True):
        for said in {
            value,
            quote(value, safe=""),
            quote(value),
            escape(value),
            quote(quote(value, safe=""), safe=""),
            # As a label's code is read.
            value.replace("-", "").upper(),
        }:
            text = text.replace(said, "*") if said else text
    return text


@dataclass(frozen=True)
class Probe:
    """``route`` and ``way`` name it; ``wanted`` are the statuses that the tables leave open, None for any of the twin's.

    ``is_compared``: whether both answers must be alike.
    """

    route: str
    way: str
    caller: Caller
    ask: Ask
    twin: Ask | None
    wanted: frozenset[int] | None
    # The pointer of the refusal that shows the probe's value was looked up at all; "" where the address holds it.
    pointer: str = ""

    @property
    def name(self) -> str:
        return f"{self.way}: {self.caller.name} {self.ask.method} {self.ask.path}"
