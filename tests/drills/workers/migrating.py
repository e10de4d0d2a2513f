"""The log's table and the units' states are migrated while old code answers 50 requests a second, and is then replaced.

Phones upload and somebody reads pages and units, each second as many as the last, whether the answers come or not. Another
reads the log for some seconds in one transaction, as a report or a backup does, and the migration must let all pass behind
it. Then a second web server takes over and the first is asked to end. Every answer but a good one counts as failed; none is
asked for again.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from django.conf import settings
from django.test import Client

from accounts.permissions import Role
from config import embedded, supervisor
from config.launch import spawn
from tests.benchmarks.log.batches import new_operator
from tests.cast import Cast, new_cast
from tests.drills.workers.filling import fill

A_SECOND = 50
LONGEST_PAUSE_SECONDS = 1.0
REPORT_SECONDS = 3.0
WAITS = "SELECT count(*) FROM pg_locks WHERE relation = 'servicing_event'::regclass AND NOT granted"
WARM_SECONDS = 3.0
# As the web server names it on plain HTTP.
COOKIE = "sid"
SECRET = "only the drill signs with these words, and nobody else"
TARGET = (
    f"0 failed requests of {A_SECOND} a second, nobody waits >= {LONGEST_PAUSE_SECONDS:g} s longer than usual"
)


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: a log of 1,000,000 events, a minute before and after; else 60,000 and some seconds."""
    each, quiet = (250_000, 60) if full else (20_000, 6)
    settings.SECRET_KEY, settings.SECOND_FACTOR_NEEDED = SECRET, False
    settings.ALLOWED_HOSTS.append("testserver")
    casts = [new_cast(f"migrated{n}", units=6) for n in range(4)]
    for cast in casts:
        cast.upload(*(cast.installed(unit) for unit in cast.units))
    fill(servers, [new_operator(f"filled{n}") for n in range(4 if full else 3)], each)
    load = Load(casts)
    with ExitStack() as webs:
        first = webs.enter_context(_web(servers))
        load.port = first.port
        capacity = load.warm(first.port)
        with load.going():
            time.sleep(quiet)
            usual = load.slowest_since(0)
            _say(f"{len(load.answers)} answers, the slowest after {usual:.2f} s; migrating")
            began = time.monotonic()
            with _report(servers):
                again = _migrate(servers, "filled")
            took = time.monotonic() - began
            time.sleep(1)
            slowest = load.slowest_since(began)
            _say(f"migrated, the slowest after {slowest:.2f} s; replacing the web server")
            second = webs.enter_context(_web(servers))
            load.warm(second.port)
            load.port = second.port
            # As a proxy does: nobody new is led there, and it is asked to end when nobody is left.
            _wait(lambda: not load.waiting[first.port], "somebody still waits for an answer of old code")
            first.end()
            again += _migrate(servers, None)
            time.sleep(quiet)
    failed = [one for one in load.answers if not one.is_good]
    yield {
        "name": "workers.migrating",
        "figures": {
            "requests": len(load.answers),
            "a_second": round(len(load.answers) / load.seconds, 1),
            "could_answer_a_second": round(capacity),
            "failed": len(failed),
            "first_failures": [one.what for one in failed[:3]],
            "uploads": sum(one.is_upload for one in load.answers),
            "slowest_before_seconds": round(usual, 2),
            "slowest_while_migrated_seconds": round(slowest, 2),
            "pause_seconds": round(max(0.0, slowest - usual), 2),
            "migrated_in_seconds": round(took, 1),
            "locks_given_up": again,
            "acked_events_missing": load.missing(servers),
        },
        "target": TARGET,
        "ok": not failed
        and max(0.0, slowest - usual) < LONGEST_PAUSE_SECONDS
        and not load.missing(servers)
        and again > 0,
    }


@dataclass(frozen=True, slots=True)
class Answer:
    at: float
    seconds: float
    is_good: bool
    is_upload: bool
    what: str


@dataclass
class Load:
    """What asks: open loop, a thread a request, a connection a request, as a proxy without connections of its own does."""

    casts: list[Cast]
    port: int = 0
    answers: list[Answer] = field(default_factory=list)
    acked: list[str] = field(default_factory=list)
    seconds: float = 0.0
    waiting: Counter[int] = field(default_factory=Counter)
    turn: threading.Lock = field(default_factory=threading.Lock)
    cookies: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        for cast in self.casts:
            client = Client()
            client.force_login(cast.users[Role.DISPATCHER])
            self.cookies.append(client.cookies[settings.SESSION_COOKIE_NAME].value)

    def warm(self, port: int) -> float:
        """Ask a new web server what it will be asked, until it knows all of it; how many a second it answers to eight."""
        other = Load(self.casts[:1], port)
        with ThreadPoolExecutor(8) as pool:
            for seconds in (WARM_SECONDS, WARM_SECONDS):
                began, before = time.monotonic(), len(other.answers)
                while time.monotonic() - began < seconds:
                    list(pool.map(other._ask, range(10)))
        return (len(other.answers) - before) / (time.monotonic() - began)

    @contextmanager
    def going(self) -> Iterator[None]:
        ended = threading.Event()
        thread = threading.Thread(target=self._go, args=(ended,))
        began = time.monotonic()
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
            self.seconds = time.monotonic() - began

    def _go(self, ended: threading.Event) -> None:
        with ThreadPoolExecutor(100) as pool:
            began, number = time.monotonic(), 0
            while not ended.is_set():
                pool.submit(self._ask, number)
                number += 1
                time.sleep(max(0.0, began + number / A_SECOND - time.monotonic()))

    def _ask(self, number: int) -> None:
        cast = self.casts[number % len(self.casts)]
        is_upload = number % 5 < 3
        began = time.monotonic()
        try:
            status, said = self._upload(cast) if is_upload else self._read(number, cast)
        except OSError as fault:
            status, said = 0, repr(fault)
        except http.client.HTTPException as fault:
            status, said = 0, repr(fault)
        self.answers.append(
            Answer(began, time.monotonic() - began, status == 200, is_upload, f"{status} {said[:300]}")
        )

    def _upload(self, cast: Cast) -> tuple[int, str]:
        events = [cast.event("level.read", cast.units[0], cartridge_left_ml=200, reservoir_ml=20)]
        body = json.dumps({"events": events})
        headers = {"Authorization": f"Bearer {cast.phone_token}", "Content-Type": "application/json"}
        status, said = self._send("POST", "/api/v1/service-events", headers, body)
        if status == 200:
            if json.loads(said)["fates"][0]["fate"] != "accepted":
                return 0, said
            self.acked.append(events[0]["id"])
        return status, said

    def _read(self, number: int, cast: Cast) -> tuple[int, str]:
        if number % 2:
            headers = {"Authorization": f"Bearer {cast.phone_token}"}
            return self._send("GET", "/api/v1/units", headers)
        cookie = self.cookies[self.casts.index(cast)]
        path = f"/{cast.operator.slug}/sites/{cast.site.code}"
        return self._send("GET", path, {"Cookie": f"{COOKIE}={cookie}"})

    def _send(
        self, method: str, path: str, headers: dict[str, str], body: str | None = None
    ) -> tuple[int, str]:
        with self.turn:
            port = self.port
            self.waiting[port] += 1
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        try:
            connection.request(method, path, body=body, headers={**headers, "Connection": "close"})
            answer = connection.getresponse()
            return answer.status, answer.read().decode(errors="replace")
        finally:
            connection.close()
            with self.turn:
                self.waiting[port] -= 1

    def slowest_since(self, began: float) -> float:
        return max((one.seconds for one in list(self.answers) if one.at >= began), default=0.0)

    def missing(self, servers: embedded.Servers) -> int:
        """Acked events that the log does not hold."""
        with psycopg.connect(servers.superuser_url) as superuser:
            row = superuser.execute(
                "SELECT count(*) FROM servicing_event WHERE event_id = ANY (%s::uuid[])", [self.acked]
            ).fetchone()
        return len(self.acked) - (row[0] if row else 0)


@dataclass
class Web:
    port: int
    process: subprocess.Popen[bytes]

    def end(self) -> None:
        """SIGTERM: what it is at is answered, then it ends."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(60)


@contextmanager
def _web(servers: embedded.Servers) -> Iterator[Web]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    unlimited = {
        f"WICKROUND_RATE_{name}": "1000000/1000000"
        for name in ("CREDENTIAL", "OPERATOR", "ADDRESS", "CLIENT", "VISITOR")
    }
    process = spawn(
        supervisor.web(port).command,
        death_signal=signal.SIGKILL,
        cwd=Path(settings.BASE_DIR),
        env={
            **os.environ,
            **servers.environment(),
            **unlimited,
            "WICKROUND_HTTPS": "no",
            "WICKROUND_SECOND_FACTOR": "no",
            "WICKROUND_SECRET_KEY": SECRET,
            "WICKROUND_LOG_LEVEL": "ERROR",
        },
        output=subprocess.DEVNULL,
    )
    web = Web(port, process)
    try:
        _wait(lambda: _is_ready(port), "the web server is not ready")
        yield web
    finally:
        web.end()


def _is_ready(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET", "/readyz")
        return connection.getresponse().status == 200
    except OSError:
        return False
    finally:
        connection.close()


def _wait(is_so: Callable[[], bool], otherwise: str) -> None:
    deadline = time.monotonic() + 120
    while not is_so():
        assert time.monotonic() < deadline, otherwise
        time.sleep(0.1)


@contextmanager
def _report(servers: embedded.Servers) -> Iterator[None]:
    """Somebody reads the log in one transaction, from now until some seconds after the migration came upon it."""

    def read() -> None:
        with (
            psycopg.connect(servers.superuser_url) as reader,
            psycopg.connect(servers.superuser_url, autocommit=True) as eye,
        ):
            reader.execute("SELECT count(*) FROM servicing_event")
            reads.set()
            until = time.monotonic() + 120
            while eye.execute(WAITS).fetchone() == (0,) and time.monotonic() < until:
                time.sleep(0.01)
            time.sleep(REPORT_SECONDS)

    reads = threading.Event()
    thread = threading.Thread(target=read)
    thread.start()
    reads.wait()
    try:
        yield
    finally:
        thread.join()


def _migrate(servers: embedded.Servers, upto: str | None) -> int:
    """The next release's migrations by its command; how often it gave up a lock and let others pass."""
    done = subprocess.run(
        [sys.executable, "manage.py", "migrate", "servicing", *([upto] if upto else [])],
        cwd=settings.BASE_DIR,
        env={
            **os.environ,
            **servers.environment(),
            "DJANGO_SETTINGS_MODULE": "tests.drills.workers.next_settings",
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stderr.count("tried again")


def _say(text: str) -> None:
    print(f"drill: {text}", file=sys.stderr)
