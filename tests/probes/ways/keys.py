"""The Idempotency-Key of another: a rival's, and a colleague's. What is kept under it is never given out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from accounts import clock
from accounts.permissions import Role
from config.schema.view import document
from tests.api.callers import Api
from tests.api.calls import LATER, Setting, call
from tests.api.calls import operations as calls_in
from tests.cast import NOON
from tests.probes.asking import Ask, Probe
from tests.probes.ground import Caller, Ground
from tests.probes.routes import operations
from tests.probes.ways.addresses import KEY_HEADER

DONE = range(200, 300)


@dataclass(frozen=True)
class Sent:
    """A request of a rival's that was answered well, and under which key."""

    operation: str
    path: str
    query: str
    body: bytes
    kind: str
    key: str


class Keyed(Api):
    """Sends each POST with a key of its own, and remembers what was sent."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.sent: list[tuple[Sent, int]] = []
        self.operation = ""

    def generic(self, *args: Any, **kwargs: Any) -> Any:
        if args[0] != "POST":
            return super().generic(*args, **kwargs)
        method, path, data, content_type = args
        key = f'"{uuid4()}"'
        headers = {**(kwargs.pop("headers", None) or {}), KEY_HEADER: key}
        answer = super().generic(method, path, data, content_type, headers=headers, **kwargs)
        address, _, query = path.partition("?")
        body = data if isinstance(data, bytes) else str(data).encode()
        self.sent.append((Sent(self.operation, address, query, body, content_type, key), answer.status_code))
        return answer


def every_call(ground: Ground) -> tuple[list[Sent], list[str]]:
    """Let a rival call every operation for itself: what it sent with a key, and which calls were not answered well.

    It also shows that what the probes named was there: the rival itself can still do it.
    """
    south = ground.south
    client = Keyed(headers={"wickround-operator": south.slug})
    client.cookies = south.owner.client.cookies
    setting = Setting(south.cast, client, south.ids)
    failed = []
    for name, path, method in calls_in(document()):
        client.operation = name
        with clock.playing(LATER.get(name, NOON)):
            # By then nobody is signed in any more.
            if name in LATER:
                client.force_login(south.cast.users[Role.OWNER])
            answered = call(setting, name, path, method)
        if answered.answer.status_code not in DONE:
            failed.append(f"{name}: {answered.answer.status_code} {answered.answer.content[:300]!r}")
    return [sent for sent, status in client.sent if status in DONE], failed


def foreign_keys(ground: Ground, sent: list[Sent]) -> Iterator[Probe]:
    """A rival's request with its own key, by those of another operator, and by a colleague's who may do it too."""
    known = {one.name: one for one in operations()}
    for one in sent:
        operation = known[one.operation]
        permission = operation.route.permissions[operation.method]
        for caller in ground.full.callers:
            if caller.may(permission, "POST"):
                yield _probe(one, caller, "a rival's key")


def colleagues_keys(ground: Ground, sent: list[Sent]) -> Iterator[Probe]:
    known = {one.name: one for one in operations()}
    for one in sent:
        permission = known[one.operation].route.permissions[known[one.operation].method]
        for caller in ground.south.callers[1:]:
            if caller.may(permission, "POST"):
                yield _probe(one, caller, "a colleague's key")


def _probe(sent: Sent, caller: Caller, way: str) -> Probe:
    query = dict(pair.partition("=")[::2] for pair in sent.query.split("&") if pair)
    said = sent.body.decode("utf-8", "replace")
    headers = {KEY_HEADER: sent.key}
    values = tuple(one for one in (*sent.path.split("/"), *query.values(), said) if one)
    ask = Ask("POST", sent.path, values, query, sent.body, sent.kind, headers)
    return Probe(sent.operation, way, caller, ask, None, None)
