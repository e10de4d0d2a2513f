"""Webhooks that really go over TLS to a receiver on this machine, which checks each with the standard's own library.

The bodies are drawn: of any letters, up to almost 20 kB. A third of the endpoints has one secret; another third's was changed,
so both sign and the receiver knows the new one, or still the old one. Each message is then changed by one byte, given
another id, another time and another's secret, and must be refused every time. A receiver that fails now and then gets the
same bytes under the same id again.
"""

from __future__ import annotations

import random
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import connections
from django.test import override_settings
from standardwebhooks import Webhook, WebhookVerificationError

from accounts import clock, tenancy
from accounts.ids import uuid7
from accounts.jobs import Job
from accounts.permissions import system_actor
from billing.commands.webhooks import endpoints, owing
from billing.commands.webhooks.delivering import deliver
from billing.models import WebhookAttempt, WebhookDelivery
from billing.rules.webhooks.messages import message_id
from tests.billing.receivers import Authority, Received, Receiver, answering, receiving
from tests.cast import Cast, new_cast

SEED = 20_266
WORKERS = 4
FAILS_IN = 0.03
MOST_BODY = 19_500
AT_ONCE = 250
TARGET = "each delivery arrives once or, where the receiver failed, again with the same bytes; all verify, none that was changed"
OTHERS_SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


@dataclass
class Checked:
    """What the receiver found."""

    secrets: dict[str, str]  # by path
    draw: random.Random = field(default_factory=lambda: random.Random(SEED))
    lock: threading.Lock = field(default_factory=threading.Lock)
    bodies: dict[str, bytes] = field(default_factory=dict)  # by message
    taken: Counter[str] = field(default_factory=Counter)
    verified: int = 0
    refused_though_right: int = 0
    taken_though_changed: int = 0
    changes_tried: int = 0
    other_bytes: int = 0
    failed_on_purpose: int = 0

    def check(self, received: Received) -> bool:
        """Whether to take it: a few are failed on purpose."""
        reader = Webhook(self.secrets[received.line.split(" ")[1]])
        is_right = _verifies(reader, received.body, received.headers)
        fooled = [_verifies(*one) for one in self._changed(reader, received)]
        name = received.headers["webhook-id"]
        with self.lock:
            self.verified += is_right
            self.refused_though_right += not is_right
            self.changes_tried += len(fooled)
            self.taken_though_changed += sum(fooled)
            self.other_bytes += self.bodies.setdefault(name, received.body) != received.body
            takes = self.draw.random() >= FAILS_IN
            self.failed_on_purpose += not takes
            self.taken[name] += takes
        return takes

    def _changed(
        self, reader: Webhook, received: Received
    ) -> Iterator[tuple[Webhook, bytes, dict[str, str]]]:
        body, headers = received.body, received.headers
        at = len(body) // 2
        # Letters of the JSON's own: a byte of a longer letter would no longer be text at all.
        yield reader, body[:-1] + b" }", headers
        yield (
            reader,
            body[:at].decode(errors="ignore").encode() + b"1" + body[at:].decode(errors="ignore").encode(),
            headers,
        )
        yield reader, body, {**headers, "webhook-id": headers["webhook-id"] + "0"}
        yield reader, body, {**headers, "webhook-timestamp": str(int(headers["webhook-timestamp"]) + 1)}
        yield Webhook(OTHERS_SECRET), body, headers


def _verifies(reader: Webhook, body: bytes, headers: dict[str, str]) -> bool:
    try:
        reader.verify(body, headers, json_parse=False)
    except WebhookVerificationError:
        return False
    return True


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 deliveries; else 300."""
    settings.SECRET_KEY = "only the drill signs with these words, and nobody else"
    number = 10_000 if full else 300
    cast = new_cast("signing")
    print(f"drill: {number} webhooks over TLS, checked by the receiver", file=sys.stderr)
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        authority = Authority(Path(folder))
        receiver = stack.enter_context(receiving(authority.context("127.0.0.1")))
        allowed = f"127.0.0.1:{receiver.port}"
        stack.enter_context(override_settings(WEBHOOK_TRUST=str(authority.file), WEBHOOK_ALLOW=allowed))
        made, secrets = _endpoints(cast, receiver.port)
        checked = Checked(secrets)
        _receive(receiver, checked)
        _owe(cast, made, number)
        tries = _deliver_all(cast)
    yield _line(cast, number, tries, checked)


def _endpoints(cast: Cast, port: int) -> tuple[list[UUID], dict[str, str]]:
    """Three endpoints, and by their paths the secret that the receiver goes by: the one, the new one, the old one."""
    made, secrets = [], {}
    for path in ("/one", "/new", "/old"):
        one = endpoints.add_endpoint(actor=cast.owner, url=f"https://127.0.0.1:{port}{path}")
        made.append(one.endpoint.id)
        secrets[path] = one.secret
        if path != "/one":
            newer = endpoints.rotate_secret(actor=cast.owner, endpoint_id=one.endpoint.id)
            secrets[path] = newer.secret if path == "/new" else one.secret
    return made, secrets


def _receive(receiver: Receiver, checked: Checked) -> None:
    fine, failed = answering("204 No Content"), answering("503 Not now")

    def behave(connection: Any, received: Received) -> None:
        receiver.received.clear()  # ten thousand bodies are not kept
        (fine if checked.check(received) else failed)(connection, received)

    receiver.behave = behave


def _owe(cast: Cast, made: list[UUID], number: int) -> None:
    draw = random.Random(SEED)
    now = clock.now()
    with tenancy.writing(cast.owner):
        rows = []
        for sequence in range(1, number + 1):
            delivery_id = uuid7(now)
            rows.append(
                WebhookDelivery(
                    id=delivery_id,
                    endpoint_id=made[sequence % len(made)],
                    sequence=sequence,
                    message_id=message_id(delivery_id),
                    type="invoice.changed",
                    body=_body(draw),
                    made_at=now,
                )
            )
        owing.owe_new(rows, now)


def _body(draw: random.Random) -> str:
    """A JSON object with a text of letters from the whole of Unicode in it, of very different lengths."""
    ranges = ((0x20, 0x21), (0x23, 0x5B), (0x5D, 0x7E), (0xA0, 0x24F), (0x4E00, 0x9FFF), (0x1F300, 0x1F64F))
    text = "".join(chr(draw.randint(*draw.choice(ranges))) for _ in range(int(draw.expovariate(1 / 400))))
    while len(text.encode()) > MOST_BODY:
        text = text[: len(text) // 2]
    return '{"type":"invoice.changed","data":{"text":"' + text + '"}}'


def _deliver_all(cast: Cast) -> int:
    """Do what is owed until nothing is, as four workers do; gives the number of attempts. Pauses are not waited for."""
    tries = 0
    began = clock.now()
    with ThreadPoolExecutor(WORKERS) as pool:
        while jobs := _owed(cast):
            # Those that failed come back days later in all, so the clock is put forward to whatever is due next.
            clock.set_to(max(began, *(due for _id, due in jobs)) + timedelta(seconds=1))
            tries += sum(pool.map(lambda job: deliver(cast.operator.id, job[0]), jobs))
        list(pool.map(lambda _: connections.close_all(), range(WORKERS)))
    clock.set_to(None)
    return tries


def _owed(cast: Cast) -> list[tuple[UUID, Any]]:
    with tenancy.reading(system_actor(cast.operator.id)):
        rows = Job.objects.filter(kind=owing.DELIVER, done_at=None).order_by("run_at", "id")
        return list(rows.values_list("id", "run_at")[:AT_ONCE])


def _line(cast: Cast, number: int, tries: int, checked: Checked) -> dict[str, Any]:
    with tenancy.reading(system_actor(cast.operator.id)):
        stored = WebhookDelivery.objects.exclude(delivered_at=None)
        attempts = Counter(WebhookAttempt.objects.values_list("outcome", flat=True))
        sent = dict(stored.values_list("message_id", "body"))
    figures = {
        "deliveries": number,
        "attempts": tries,
        "attempts_stored": dict(attempts),
        "verified": checked.verified,
        "refused_though_right": checked.refused_though_right,
        "changes_tried": checked.changes_tried,
        "taken_though_changed": checked.taken_though_changed,
        "failed_on_purpose": checked.failed_on_purpose,
        "again_with_other_bytes": checked.other_bytes,
        "taken_twice": sum(times > 1 for times in checked.taken.values()),
        "never_taken": sum(checked.taken[name] == 0 for name in sent),
        "other_than_stored": sum(checked.bodies.get(name) != body.encode() for name, body in sent.items()),
    }
    wrong = (
        "refused_though_right",
        "taken_though_changed",
        "again_with_other_bytes",
        "taken_twice",
        "never_taken",
        "other_than_stored",
    )
    return {
        "name": "feed.signing",
        "value": figures["refused_though_right"],
        "unit": "signatures not verified",
        "figures": figures,
        "target": TARGET,
        "ok": len(sent) == number
        and not any(figures[name] for name in wrong)
        and checked.failed_on_purpose > 0
        and checked.verified == tries == number + checked.failed_on_purpose
        and attempts == {"delivered": number, "refused": checked.failed_on_purpose},
        "seed": SEED,
    }
