"""Programs follow the feed over HTTP and crash between a page and their own checkpoint, while phones upload and the web
server is restarted: they must miss nothing, and see again only what they had not acknowledged."""

from __future__ import annotations

import json
import random
import re
import socket
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from django.db import connections

from accounts.commands import clients, operators
from accounts.errors import Busy
from accounts.permissions import Actor, ActorKind, Role
from config import supervisor
from fleet import commands as fleet_commands
from servicing.commands.uploads import Fate, upload_events
from tests.cast import Cast, new_cast

SEED = 20_263
PHONES = 4
PAGE = 50
CRASHES_IN = 0.3
WAIT_SECONDS = 2
MOST_UNANSWERED = 25
JSON, CLOUDEVENTS = "application/json", "application/cloudevents-batch+json"


@dataclass
class Followed:
    """What one program got, crash by crash."""

    seen: set[str] = field(default_factory=set)
    pages: int = 0
    crashes: int = 0
    repeated: int = 0
    repeated_though_acknowledged: int = 0
    out_of_order: int = 0
    unanswered: int = 0
    told_to_ask_again: int = 0


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 4 phones with 5,000 events each; else 150 each. Two programs read, one of them CloudEvents."""
    cast, rival = new_cast("feed", units=4), new_cast("feed-rival", units=1)
    port = _free_port()
    env = {
        **servers.environment(),
        "WICKROUND_HTTPS": "no",
        "WICKROUND_SECRET_KEY": "the drill signs with these words",
    }
    written = threading.Event()
    print(f"drill: {PHONES} phones write, two programs follow over HTTP", file=sys.stderr)
    with supervisor.Supervisor(env) as web, ThreadPoolExecutor(PHONES + 3) as pool, _set_at_the_end(written):
        web.start(supervisor.web(port))
        web.wait_for_web(port)
        following = [
            pool.submit(_follow, _address(port), _Program(port, cast, kind), kind, written, SEED + number)
            for number, kind in enumerate((JSON, CLOUDEVENTS))
        ]
        writing = [
            pool.submit(_phone, cast, number, 5_000 if full else 150, SEED + 10 + number)
            for number in range(PHONES)
        ]
        foreign = pool.submit(_phone, rival, PHONES, 50, SEED + 20).result()
        web.stop()
        web.start(supervisor.web(port))
        web.wait_for_web(port)
        accepted = set().union(*(one.result() for one in writing))
    followed = [one.result() for one in following]
    figures = _figures(accepted, foreign, followed)
    yield {
        "name": "log.feed",
        "figures": figures,
        "target": "0 missed, 0 foreign, 0 out of order, 0 repeated though acknowledged, with crashes and repeats",
        "ok": len(accepted) > 0
        and figures["crashes"] > 0
        and figures["repeated"] > 0
        and not any(
            figures[name] for name in ("missed", "foreign", "out_of_order", "repeated_though_acknowledged")
        ),
        "seed": SEED,
    }


@contextmanager
def _set_at_the_end(event: threading.Event) -> Iterator[None]:
    """Also after a fault, so that nobody waits for it for ever."""
    try:
        yield
    finally:
        event.set()


def _figures(accepted: set[str], foreign: set[str], followed: list[Followed]) -> dict[str, int]:
    names = (
        "pages",
        "crashes",
        "repeated",
        "repeated_though_acknowledged",
        "out_of_order",
        "unanswered",
        "told_to_ask_again",
    )
    return {
        "accepted": len(accepted),
        "missed": sum(len(accepted - one.seen) for one in followed),
        "foreign": sum(len(one.seen & foreign) for one in followed),
        **{name: sum(getattr(one, name) for one in followed) for name in names},
    }


def _follow(address: str, program: _Program, kind: str, written: threading.Event, seed: int) -> Followed:
    """A program with a checkpoint of its own, which it writes after the page and sometimes not at all."""
    draw, told = random.Random(seed), Followed()
    checkpoint, last = 0, 0
    unacknowledged: set[str] = set()
    unanswered_in_a_row = 0
    while True:
        is_over = written.is_set()
        try:
            events, onward, hint = _page(address, program.token, kind, checkpoint)
        except (urllib.error.URLError, ConnectionError, TimeoutError) as fault:
            told.unanswered += 1
            program.sign_in_if(fault)
            unanswered_in_a_row += 1
            if is_over and unanswered_in_a_row > MOST_UNANSWERED:
                return told
            time.sleep(0.2)
            continue
        unanswered_in_a_row = 0
        told.pages += 1
        told.told_to_ask_again += hint
        for event_id, position in events:
            if event_id not in told.seen:
                told.out_of_order += position <= last
                last = position
            elif event_id in unacknowledged:
                told.repeated += 1
            else:
                told.repeated_though_acknowledged += 1
            told.seen.add(event_id)
        if events and draw.random() < CRASHES_IN:
            told.crashes += 1
            unacknowledged = {event_id for event_id, _ in events}
            continue
        checkpoint, unacknowledged = onward, set()
        if is_over and not events:
            return told


def _page(address: str, token: str, kind: str, after: int) -> tuple[list[tuple[str, int]], int, bool]:
    """Ids and positions of a page, the position to go on from, and whether there was no place to wait."""
    request = urllib.request.Request(
        f"{address}?after={after}&limit={PAGE}&wait={WAIT_SECONDS}",
        headers={"Authorization": f"Bearer {token}", "Accept": kind},
    )
    with urllib.request.urlopen(request, timeout=30) as answer:
        body = json.load(answer)
        link = re.fullmatch(r'<([^>]+)>; rel="next"', answer.headers["Link"])
        hint = "Retry-After" in answer.headers
    assert link is not None
    onward = int(parse_qs(urlsplit(link[1]).query)["after"][0])
    events = body if kind == CLOUDEVENTS else body["results"]
    return [(event["id"], int(event["position"])) for event in events], onward, hint


def _phone(cast: Cast, number: int, count: int, seed: int) -> set[str]:
    """One more phone of the crew uploads its events in uneven batches, a third of them twice."""
    draw = random.Random(seed)
    device, _ = operators.register_device(actor=cast.owner, crew_id=cast.crew.id, label=f"Feed {number}")
    actor = Actor(cast.operator.id, ActorKind.DEVICE, Role.CREW_MEMBER, device.id, device.label, cast.crew.id)
    unit = fleet_commands.print_labels(actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=1)[0]
    events = [cast.event("wick.checked", unit, condition="good") for _ in range(count)]
    for sequence, event in enumerate(events, start=1):
        event["device_sequence"] = sequence
    accepted: set[str] = set()
    while events:
        batch, events = events[: (size := draw.randint(1, 40))], events[size:]
        for _ in range(draw.choice((1, 1, 2))):
            fates = _sent(actor, batch)
            accepted |= {str(fate.id) for fate in fates if fate.fate in {"accepted", "duplicate"}}
        time.sleep(draw.random() / 20)
    connections.close_all()
    return accepted


def _sent(actor: Actor, batch: list[dict[str, Any]]) -> list[Fate]:
    """As a phone does that is asked to wait: the same batch once more."""
    while True:
        try:
            return upload_events(actor=actor, events=batch)
        except Busy:
            time.sleep(0.5)


class _Program:
    """Signs in with its secret, and again when its token has ended."""

    def __init__(self, port: int, cast: Cast, kind: str) -> None:
        client, secret = clients.make_client(
            actor=cast.owner, name=f"Reader of {kind}", scopes=["events:read"]
        )
        self.address = f"http://127.0.0.1:{port}/oauth/token"
        self.form = {
            "grant_type": "client_credentials",
            "client_id": client.client_id,
            "client_secret": secret,
        }
        self.token = self._new_token()

    def _new_token(self) -> str:
        request = urllib.request.Request(self.address, urlencode(self.form).encode())
        with urllib.request.urlopen(request, timeout=30) as answer:
            return str(json.load(answer)["access_token"])

    def sign_in_if(self, fault: Exception) -> None:
        if isinstance(fault, urllib.error.HTTPError) and fault.code == HTTPStatus.UNAUTHORIZED:
            self.token = self._new_token()


def _address(port: int) -> str:
    return f"http://127.0.0.1:{port}/api/v1/service-events"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
