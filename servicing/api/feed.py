"""Reading on: the log after a position, as JSON or as a batch of CloudEvents, waiting a while for what comes next."""

from __future__ import annotations

import time
from abc import ABC
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Lock
from typing import Any, cast
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import RowsView
from accounts.errors import BadInput, Problem
from servicing.events.reading import PAYLOADS, upcast
from servicing.events.types import EventType
from servicing.models import Event
from servicing.queries import events as log

CLOUDEVENTS = "application/cloudevents-batch+json"
LONGEST_WAIT_SECONDS = 25
LOOK_AGAIN_SECONDS = 0.4
# A waiting reader holds one of the few threads of its process (gunicorn's gthread: 4 in a trial, 8 in the container), so
# most of them stay free for those who do not wait.
MOST_WAITING = 2
ASK_AGAIN_SECONDS = 2
_DIGITS_OF_A_POSITION = 19

FEED_PARAMETERS = [
    OpenApiParameter(
        "after",
        {"type": "string", "maxLength": 600},
        description="The `next` of the page before. Or a position, to read on after it (0: from the beginning): then "
        "`next` is always there, also on an empty page, and is the position to go on from.",
    ),
    OpenApiParameter(
        "wait",
        {"type": "integer", "minimum": 0, "maximum": LONGEST_WAIT_SECONDS},
        description="With a position: if there is nothing after it, wait up to so many seconds for something. When too "
        "many wait already, the empty page comes at once, with the header Retry-After.",
    ),
]

_TEXT = {"type": "string", "minLength": 1}
_ID = {"type": "string", "format": "uuid"}
_INSTANT = {"type": "string", "format": "date-time"}
BATCH_SCHEMA = {
    "type": "array",
    "items": {
        "type": "object",
        "description": "A CloudEvent 1.0. What does not apply is left out.",
        "required": [
            "specversion",
            "id",
            "source",
            "type",
            "subject",
            "time",
            "datacontenttype",
            "position",
            "data",
        ],
        "properties": {
            "specversion": {"const": "1.0"},
            "id": {**_ID, "description": "The event's id; with `source` it is unique for good."},
            "source": {
                "type": "string",
                "format": "uri-reference",
                "description": "/operators/ and the operator.",
            },
            "type": {**_TEXT, "description": "wickround, the type, and v with the version of its data."},
            "subject": {**_TEXT, "description": "unit/, site/ or visit/ and its id."},
            "time": {**_INSTANT, "description": "When it occurred, by the clock of its device."},
            "datacontenttype": {"const": "application/json"},
            "position": {**_TEXT, "description": "Its place in the operator's log: the value for `after`."},
            "sequence": {
                **_TEXT,
                "description": "The same with leading zeros, so that texts sort as numbers.",
            },
            "receivedtime": {**_INSTANT, "description": "When the server received it."},
            "recordedtime": {**_INSTANT, "description": "When the log recorded it."},
            "device": _ID,
            "devicesequence": _TEXT,
            "actorkind": _TEXT,
            "actor": _ID,
            "member": _ID,
            "visit": _ID,
            "touch": _ID,
            "corrects": {**_ID, "description": "The event that this one counters or replaces."},
            "data": {"type": "object", "additionalProperties": True},
        },
    },
}


class CloudEventsBatch(JSONRenderer):
    media_type = CLOUDEVENTS
    format = "cloudevents-batch"


@dataclass(frozen=True, slots=True)
class Page:
    """What follows a position, as it is shown, and the position to go on from."""

    shown: list[Any]
    next: int


class Feed(RowsView, ABC):
    """GET of the log: pages as of every list, and after a position without an end."""

    def query_names(self, method: str) -> frozenset[str]:
        names = super().query_names(method)
        return names | {"wait"} if names else names

    def get_renderers(self) -> list[BaseRenderer]:
        is_read = self.request is None or self.request.method in {"GET", "HEAD"}
        return [JSONRenderer(), CloudEventsBatch()] if is_read else [JSONRenderer()]

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        as_cloudevents = getattr(request.accepted_renderer, "media_type", "") == CLOUDEVENTS
        asked, wait = request.query_params.get("after"), _wait(request.query_params.get("wait"))
        after = _position(asked if asked is not None or not as_cloudevents else "0")
        if after is None:
            if as_cloudevents or wait:
                raise _refusal("after", "not-a-position", "Expected: a position, 0 for the beginning.")
            return super().list(request, *args, **kwargs)
        page, may_wait = self._followed(after, wait, as_cloudevents=as_cloudevents)
        answer = Response(page.shown if as_cloudevents else {"results": page.shown, "next": str(page.next)})
        query = request._request.GET.copy()  # noqa: SLF001 - the request's own, to be asked again
        query["after"] = str(page.next)
        answer["Link"] = f'<{request.path}?{query.urlencode()}>; rel="next"'
        if not may_wait:
            answer["Retry-After"] = str(ASK_AGAIN_SECONDS)
        return answer

    def _followed(self, after: int, wait: int, *, as_cloudevents: bool) -> tuple[Page, bool]:
        """The page after a position, waited for if there is none; and whether there was a place to wait."""
        page = self._page(after, as_cloudevents=as_cloudevents)
        if page.shown or not wait:
            return page, True
        gives_up_at = time.monotonic() + wait
        with _place_to_wait(self.actor.operator_id) as is_granted:
            while is_granted and not page.shown and (left := gives_up_at - time.monotonic()) > 0:
                # Asleep it holds no transaction; each look is one of its own, at the end of an index.
                time.sleep(min(LOOK_AGAIN_SECONDS, left))
                if self._head() > page.next:
                    page = self._page(page.next, as_cloudevents=as_cloudevents)
        return page, is_granted

    def _head(self) -> int:
        with tenancy.reading(self.actor):
            return log.head_position()

    def _page(self, after: int, *, as_cloudevents: bool) -> Page:
        limit: int = cast("Any", self.paginator).limit_of(self.request)
        with tenancy.reading(self.actor):
            # The head first: all that is at or before it is committed, so a page that isn't full has seen up to it.
            head = log.head_position()
            if after > head:
                raise _refusal(
                    "after",
                    "beyond-the-log",
                    f"The last position here is {head}. If you have read farther, the log was set back to an older "
                    "copy: ask whoever runs it, and read again from before that copy was made.",
                )
            found = self.filter_queryset(self.rows().filter(position__gt=after, position__lte=head))
            rows = list(found.order_by("position")[:limit])
            if as_cloudevents:
                shown: list[Any] = [cloudevent(row) for row in rows]
            else:
                shown = cast("list[Any]", self.get_serializer(self.shown(rows), many=True).data)
        return Page(shown, rows[-1].position if len(rows) == limit else head)


# Which operators have a reader waiting in this process.
_waiting: set[UUID] = set()
_waiting_lock = Lock()


@contextmanager
def _place_to_wait(operator_id: UUID) -> Iterator[bool]:
    """Whether this reader may wait: one of each operator and few in all, so that none takes the threads of the others."""
    with _waiting_lock:
        is_granted = len(_waiting) < MOST_WAITING and operator_id not in _waiting
        if is_granted:
            _waiting.add(operator_id)
    try:
        yield is_granted
    finally:
        if is_granted:
            with _waiting_lock:
                _waiting.discard(operator_id)


def cloudevent(row: Event) -> dict[str, Any]:
    """A stored event as a CloudEvent 1.0 in JSON; its standing is left out, since that changes and an event does not.

    Attribute names are lower-case letters and digits; positions are texts, since an Integer of CloudEvents has 32 bits.
    """
    kind = EventType(row.type)
    attributes: dict[str, Any] = {
        "specversion": "1.0",
        "id": row.event_id,
        "source": f"/operators/{row.operator_id}",
        "type": f"wickround.{kind}.v{PAYLOADS[kind].VERSION}",
        "subject": f"{row.subject_kind}/{row.subject_id}",
        "time": _instant(row.occurred_at),
        "datacontenttype": "application/json",
        "position": row.position,
        "sequence": f"{row.position:0{_DIGITS_OF_A_POSITION}}",
        "receivedtime": _instant(row.received_at),
        "recordedtime": _instant(row.recorded_at),
        "device": row.device_id,
        "devicesequence": row.device_sequence,
        "actorkind": row.actor_kind,
        "actor": row.actor_id,
        "member": row.member_id,
        "visit": row.visit_id,
        "touch": row.touch_id,
        "corrects": row.corrects,
    }
    said = {name: str(value) for name, value in attributes.items() if value is not None}
    return {**said, "data": upcast(kind, row.schema_version, row.payload)}


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _position(text: str | None) -> int | None:
    """A position, or None for what is no number: a list's cursor, which the list reads."""
    return int(text) if text is not None and text.isascii() and text.isdigit() and len(text) <= 40 else None  # noqa: PLR2004


def _wait(text: str | None) -> int:
    if text is None:
        return 0
    if not (text.isascii() and text.isdigit() and len(text) <= 2 and int(text) <= LONGEST_WAIT_SECONDS):  # noqa: PLR2004
        raise _refusal("wait", "out-of-range", f"Expected: whole seconds from 0 to {LONGEST_WAIT_SECONDS}.")
    return int(text)


def _refusal(name: str, code: str, detail: str) -> BadInput:
    return BadInput("The page could not be given.", errors=[Problem(f"/{name}", code, detail)])
