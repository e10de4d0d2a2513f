"""Receivers of webhooks with bad manners, each on this machine: however they behave, a worker is soon free of them."""

from __future__ import annotations

import os
import random
import socket
import struct
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.billing.receivers import NAME, Authority, Behave, Receiver, answering, receiving

SEED = 20_268
MOST_MS, EXPECTED_MS = 15_000, 11_000
MOST_AT_ONCE = 40
PATIENCE_SECONDS = 5
BODY = b'{"type":"invoice.changed","data":"' + b"x" * 19_000 + b'"}'
OK = b"HTTP/1.1 200 OK\r\n"
TARGET = f"no attempt takes {MOST_MS} ms, each ends as expected, and nothing of it stays open"


@dataclass(frozen=True)
class Manner:
    """How a receiver behaves, and what is to come of an attempt to deliver there: outcome and detail."""

    name: str
    outcome: str
    detail: str
    behave: Callable[[Receiver], Behave] | None = None
    at_once: Callable[[Receiver, socket.socket], None] | None = None
    certified: str = NAME
    never_accepts: bool = False


def _drip(pieces: Iterator[bytes] | bytes, pause: float, first: bytes = b"") -> Callable[[Receiver], Behave]:
    """After ``first`` the same again and again until the sender has had enough."""

    def make(receiver: Receiver) -> Behave:
        def behave(connection: Any, _received: Any) -> None:
            connection.sendall(first)
            while not receiver.over.is_set():
                connection.sendall(pieces)
                time.sleep(pause)

        return behave

    return make


def _says(text: bytes) -> Callable[[Receiver], Behave]:
    return lambda _receiver: lambda connection, _received: connection.sendall(text)


def _waits(receiver: Receiver) -> Behave:
    return lambda _connection, _received: receiver.over.wait(30)  # type: ignore[return-value]


def _waits_plainly(receiver: Receiver, _plain: socket.socket) -> None:
    receiver.over.wait(30)


def _drips_plainly(text: bytes, pause: float) -> Callable[[Receiver, socket.socket], None]:
    """A handshake's first bytes, or rubbish, one by one: each of them would begin a wait anew."""

    def behave(receiver: Receiver, plain: socket.socket) -> None:
        for byte in text:
            if receiver.over.is_set():
                return
            plain.sendall(bytes([byte]))
            time.sleep(pause)
        receiver.over.wait(30)

    return behave


def _says_plainly(text: bytes) -> Callable[[Receiver, socket.socket], None]:
    def behave(_receiver: Receiver, plain: socket.socket) -> None:
        plain.recv(65_536)
        plain.sendall(text)

    return behave


def _resets(_receiver: Receiver, plain: socket.socket) -> None:
    plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    plain.close()


def _resets_after_the_request(receiver: Receiver) -> Behave:
    def behave(connection: Any, _received: Any) -> None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        connection.close()

    return behave


# The first bytes of a TLS record that announces 16 kB of handshake (RFC 8446 section 5.1), then nothing but zeros.
RECORD = b"\x16\x03\x03\x3f\xff" + b"\x02\x00\x3f\xfb\x03\x03" + b"\x00" * 300
MANNERS = (
    Manner("good", "delivered", "", lambda _receiver: answering()),
    Manner("never accepts", "timed_out", "connect-timeout", never_accepts=True),
    Manner("takes the connection, says nothing", "timed_out", "answer-timeout", at_once=_waits_plainly),
    Manner("slow handshake", "timed_out", "answer-timeout", at_once=_drips_plainly(RECORD, 0.1)),
    Manner("no answer", "timed_out", "answer-timeout", _waits),
    Manner("slow status", "timed_out", "answer-timeout", _drip(b"H", 0.1)),
    Manner("slow headers", "timed_out", "answer-timeout", _drip(b"X-Slow: 1\r\n", 0.1, OK)),
    Manner("interim answers for ever", "timed_out", "answer-timeout", _drip(b"HTTP/1.1 103 Early Hints\r\n\r\n", 0.1)),
    Manner("many interim answers", "refused", "too-large", _drip(b"HTTP/1.1 103 Early Hints\r\n\r\n" * 100, 0)),
    Manner("slow body", "delivered", "", _drip(b"x", 0.1, OK + b"Content-Length: 5000\r\n\r\n")),
    Manner("endless body", "delivered", "", _drip(b"x" * 10_000, 0, OK + b"\r\n")),
    Manner("endless chunks", "delivered", "", _drip(b"1\r\nx\r\n", 0, OK + b"Transfer-Encoding: chunked\r\n\r\n")),
    Manner("huge headers", "refused", "too-large", _says(OK + b"X-Huge: " + b"x" * 1_000_000 + b"\r\n\r\n")),
    Manner("endless headers", "refused", "too-large", _drip(b"X: 1\r\n" * 100, 0, OK)),
    Manner("no end of line", "refused", "too-large", _drip(b"x" * 10_000, 0)),
    Manner("no HTTP", "unreachable", "unreadable", _says(b"220 mail.test\r\n\r\n")),
    Manner("half an answer", "unreachable", "unreadable", _says(b"HTTP/1.1 2")),
    Manner("redirect", "refused", "redirect", lambda _r: answering("302 Found", "Location: https://127.0.0.1/")),
    Manner("redirect to itself", "refused", "redirect", lambda r: answering("307 X", f"Location: https://{r.place}/")),
    Manner("error with a long body", "refused", "status", _drip(b"x", 0.1, b"HTTP/1.1 500 Oh\r\n\r\n")),
    Manner("gone", "gone", "gone", lambda _receiver: answering("410 Gone")),
    Manner("plain HTTP", "unreachable", "tls", at_once=_says_plainly(b"HTTP/1.1 400 Bad Request\r\n\r\n")),
    Manner("rubbish for a handshake", "unreachable", "tls", at_once=_says_plainly(b"\x15\x03\x03\x00\x02\x02\x28")),
    Manner("certificate of another name", "unreachable", "certificate", lambda _r: answering(), certified="another.test"),
    Manner("reset at once", "unreachable", "reset", at_once=_resets),
    Manner("closed at once", "unreachable", "reset", at_once=lambda _receiver, plain: plain.close()),
    Manner("reset after the request", "unreachable", "reset", _resets_after_the_request),
)  # fmt: skip


def run(_: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: each manner twenty times, forty attempts at once; else once."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    times = 20 if full else 1
    print(f"drill: {len(MANNERS)} receivers of bad manners, {times} attempts each", file=sys.stderr)
    with tempfile.TemporaryDirectory() as folder:
        before = _open_files()
        took, unlike = _tried(Authority(Path(folder)), times)
        gives_up_at = time.monotonic() + PATIENCE_SECONDS  # receivers take a moment to end
        while (left_open := _open_files() - before) > 0 and time.monotonic() < gives_up_at:
            time.sleep(0.1)
    longest = max(took.values())
    yield {
        "name": "feed.receivers",
        "value": longest,
        "unit": "ms, the longest attempt",
        "figures": {
            "manners": len(MANNERS),
            "attempts": len(MANNERS) * times,
            "milliseconds_at_most": took,
            "not_as_expected": unlike[:10],
            "left_open": left_open,
        },
        "target": TARGET,
        "ok": longest < MOST_MS and not unlike and left_open <= 0 and took["slow headers"] > EXPECTED_MS // 2,
        "seed": SEED,
    }


def _open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def _tried(authority: Authority, times: int) -> tuple[dict[str, int], list[str]]:
    """By manner the longest time of an attempt as the worker sees it, and what did not end as it should."""
    from django.test import override_settings

    took, unlike = dict.fromkeys((one.name for one in MANNERS), 0), []
    with ExitStack() as stack:
        receivers = [(one, _set_up(stack, authority, one)) for one in MANNERS]
        allowed = ",".join(f"{NAME}:{port}" for _one, port in receivers)
        stack.enter_context(override_settings(WEBHOOK_TRUST=str(authority.file), WEBHOOK_ALLOW=allowed))
        attempts = receivers * times
        random.Random(SEED).shuffle(attempts)
        pool = stack.enter_context(ThreadPoolExecutor(MOST_AT_ONCE))
        for one, answered in zip(attempts, pool.map(lambda one: _post(one[1]), attempts), strict=True):
            manner, (milliseconds, outcome, detail) = one[0], answered
            took[manner.name] = max(took[manner.name], milliseconds)
            if (outcome, detail) != (manner.outcome, manner.detail):
                unlike.append(f"{manner.name}: {outcome}, {detail}")
    return took, unlike


def _set_up(stack: ExitStack, authority: Authority, manner: Manner) -> int:
    """A receiver of these manners; gives its port."""
    if manner.never_accepts:
        return _never_accepting(stack)
    receiver = stack.enter_context(receiving(authority.context(manner.certified)))
    if manner.behave is not None:
        receiver.behave = manner.behave(receiver)
    if (at_once := manner.at_once) is not None:
        receiver.at_once = lambda plain: at_once(receiver, plain)
    return receiver.port


def _never_accepting(stack: ExitStack) -> int:
    """A port whose queue is full, so that the machine takes no connection to it any more."""
    listener = stack.enter_context(socket.socket())
    listener.bind(("127.0.0.1", 0))
    listener.listen(0)
    for _ in range(4):
        waiting = stack.enter_context(socket.socket())
        waiting.setblocking(False)
        waiting.connect_ex(listener.getsockname())
    time.sleep(0.2)
    return int(listener.getsockname()[1])


def _post(port: int) -> tuple[int, str, str]:
    from billing.commands.webhooks import wire

    began = time.perf_counter()
    answer = wire.post(f"https://{NAME}:{port}/", {}, BODY, resolve=lambda _host: ["127.0.0.1"])
    return round((time.perf_counter() - began) * 1_000), answer.outcome, answer.detail
