"""Uploads, pages and reads of the API at a steady pace against the real processes: none grows, and no connection is left over.

Growth is that of the straight line through a process's resident memory over the measured time, once all is warm, as a share of
where the line begins. A child of the worker that ends by design after its 500 tasks is measured if it lived long enough to tell.
"""

from __future__ import annotations

import itertools
import json
import math
import random
import statistics
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from http import HTTPStatus
from pathlib import Path
from typing import Any

import psycopg
from django.db import connections

from accounts import clock, jobs, tenancy
from config import embedded, supervisor
from tests.api.callers import signed_in
from tests.cast import Cast, new_cast
from tests.drills.workers.chaos.processes import children_of, free_port
from tests.integration.serving import as_in_the_tests, environment

SEED = 20_273
EVENTS_A_SECOND = 20
# So many that no unit has more to its history at the end than units in life have in a year or two: what each request has
# to do stays the same all the time, and what grows is no more than a leak.
OPERATORS, UNITS = 12, 300
THREADS = 4  # of a child of the web server
PAGE_BYTES = 4_096
MOST_GROWTH = 0.05
LIVED = 0.6  # of the measured time, so that a line tells something
WARM_THREADS, WARM_ROUNDS, WARM_JOBS, WARM_PATIENCE_SECONDS = 16, 3, 20, 60
TARGET = "no process grows by 5 %, 0 connections left over, every request answered as it should be"
CONNECTIONS = (
    "SELECT count(*) FROM pg_stat_activity WHERE usename LIKE 'wickround%' AND pid <> pg_backend_pid()"
)
TIMEOUT_SECONDS = 20


@dataclass
class Seen:
    """By process what it held, in MiB, and when; and how many connections there were."""

    memory: dict[tuple[str, int], list[tuple[float, float]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    connections: list[int] = field(default_factory=list)


class Load:
    """Who asks: a phone, a browser and a program of reads, each at its own pace, until told to stop."""

    def __init__(self, casts: Sequence[Cast], port: int) -> None:
        self.cast, self.address = casts[0], f"http://{supervisor.HOST}:{port}"
        self._phones = itertools.cycle(casts)
        session = signed_in(self.cast).cookies
        self.cookie = "; ".join(f"{name}={morsel.value}" for name, morsel in session.items())
        self.cookie += "; " + "; ".join(f"sid={one.value}" for name, one in session.items() if "sid" in name)
        self.stopped = threading.Event()
        self.answers: Counter[str] = Counter()
        self.wrong: Counter[str] = Counter()
        self.seconds: list[float] = []
        self.late = 0
        slug = self.cast.operator.slug
        self.pages = [
            f"/{slug}/",
            f"/{slug}/units/{self.cast.unit.code}",
            f"/{slug}/sites/S1",
            f"/{slug}/money/",
        ]
        self.reads = ["units?limit=50", "alerts", "service-events?limit=50", "sites", "payments"]
        self._draw = random.Random(SEED)

    def ask(self, what: str, path: str, body: Any = None, **headers: str) -> Any:
        request = urllib.request.Request(
            self.address + path, None if body is None else json.dumps(body).encode(), headers
        )
        began = time.monotonic()
        try:
            with urllib.request.urlopen(request, timeout=TIMEOUT_SECONDS) as answer:
                said = answer.read()
                status = answer.status if "sign-in" not in answer.url else HTTPStatus.UNAUTHORIZED
        except urllib.error.HTTPError as refusal:
            with refusal:
                said, status = refusal.read(), refusal.code
        except OSError as fault:
            self.wrong[f"{what}: {type(fault).__name__}"] += 1
            return None
        self.seconds.append(time.monotonic() - began)
        self.answers[what] += 1
        if status != HTTPStatus.OK:
            self.wrong[f"{what}: {status}"] += 1
        return said

    def upload(self) -> None:
        cast = next(self._phones)
        events = [self._event(cast) for _ in range(EVENTS_A_SECOND)]
        phone = {"Authorization": f"Bearer {cast.phone_token}", "Content-Type": "application/json"}
        said = self.ask("upload", "/api/v1/service-events", {"events": events}, **phone)
        fates = json.loads(said)["fates"] if said else []
        self.answers["events"] += len(fates)
        self.wrong["event refused"] += sum(one["fate"] != "accepted" for one in fates)

    def _event(self, cast: Cast) -> dict[str, Any]:
        unit = self._draw.choice(cast.units)
        at = clock.now() - timedelta(seconds=self._draw.uniform(1, 600))
        return cast.event(
            "level.read", unit, at, cartridge_left_ml=self._draw.randint(10, 200), reservoir_ml=20
        )

    def page(self) -> None:
        self.ask("page", self._draw.choice(self.pages), Cookie=self.cookie)

    def read(self) -> None:
        headers = {"Cookie": self.cookie, "Wickround-Operator": self.cast.operator.slug}
        self.ask("read", f"/api/v1/{self._draw.choice(self.reads)}", **headers)

    def owe(self) -> None:
        """What the clock owes once a minute, oftener; so that workers work from the first second."""
        with tenancy.operator_scope(self.cast.operator.id):
            for kind in ("servicing.tasks.sweep", "billing.tasks.tell"):
                jobs.enqueue(kind=kind, dedup_key=f"soak {clock.now().isoformat()}")
        connections.close_all()

    def keep_at(self, act: Callable[[], None], every_seconds: float) -> threading.Thread:
        """Do it by the clock, not after a pause: who is late is counted, and does not fall behind for ever."""

        def loop() -> None:
            next_at = time.monotonic()
            while not self.stopped.is_set():
                act()
                next_at += every_seconds
                if (pause := next_at - time.monotonic()) > 0:
                    self.stopped.wait(pause)
                else:
                    self.late += 1
                    next_at = time.monotonic()

        thread = threading.Thread(target=loop, daemon=True)
        thread.start()
        return thread

    def warm(self) -> None:
        """Every thread of the web server at once, at every kind of address; and enough jobs for every child of the worker."""
        for _ in range(WARM_JOBS):
            self.owe()
        for act in (*(self.page, self.read) * WARM_ROUNDS, self.upload):
            count = WARM_THREADS if act in (self.page, self.read) else 1
            threads = [threading.Thread(target=act) for _ in range(count)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        deadline = time.monotonic() + WARM_PATIENCE_SECONDS
        while self._owed() and time.monotonic() < deadline:
            time.sleep(0.2)

    def _owed(self) -> bool:
        with tenancy.operator_scope(self.cast.operator.id, read_only=True):
            return jobs.Job.objects.filter(done_at=None, dedup_key__startswith="soak ").exists()


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: half an hour after two minutes of warming up; else 25 seconds after eight."""
    warm_seconds, seconds, every = (120, 1_800, 5.0) if full else (8, 25, 0.5)
    as_in_the_tests()
    casts = [_cast(number) for number in range(OPERATORS)]
    port = free_port()
    connections.close_all()
    with (
        tempfile.TemporaryDirectory(prefix="wickround-") as folder,
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
    ):
        # Each request would be a line beside the drill's own.
        quiet = {"WICKROUND_LOG_LEVEL": "WARNING"}
        with supervisor.Supervisor({**environment(servers), **quiet}) as running:
            parts = [
                supervisor.web(port),
                supervisor.worker(),
                supervisor.relay(),
                supervisor.beat(Path(folder)),
            ]
            for part in parts:
                running.start(part)
            running.wait_for_web(port)
            load = Load(casts, port)
            _say("warming up")
            load.warm()
            connections.close_all()
            threads = [
                load.keep_at(act, pace)
                for act, pace in ((load.upload, 1.0), (load.page, 0.5), (load.read, 0.5), (load.owe, 4.0))
            ]
            time.sleep(warm_seconds)
            _say(f"measuring for {seconds} s")
            seen = _watched(parts, superuser, seconds, every)
            load.stopped.set()
            for thread in threads:
                thread.join()
        connections.close_all()
        left = _connections(superuser)
    yield _line(load, seen, seconds, _leaked(seen, full=full) + left)


def _cast(number: int) -> Cast:
    cast = new_cast(f"soak-{number}", units=UNITS)
    at = clock.now() - timedelta(days=30)
    for start in range(0, UNITS, 100):
        numbers = range(start, min(start + 100, UNITS))
        cast.upload(*(cast.installed(cast.units[number], at, number) for number in numbers))
    return cast


def _watched(
    parts: Sequence[supervisor.Part], superuser: psycopg.Connection[Any], seconds: float, every: float
) -> Seen:
    seen, began = Seen(), time.monotonic()
    for number in itertools.count():
        now = time.monotonic() - began
        for part in parts:
            pid = part.process.pid if part.process is not None else 0
            for name, one in [
                (part.name, pid),
                *((f"{part.name} child", child) for child in children_of(pid)),
            ]:
                if (mib := _resident_mib(one)) is not None:
                    seen.memory[name, one].append((now, mib))
        seen.connections.append(_connections(superuser))
        pause = began + (number + 1) * every - time.monotonic()
        if now >= seconds:
            return seen
        time.sleep(max(0.0, pause))
    raise AssertionError


def _leaked(seen: Seen, *, full: bool) -> int:
    """Connections that stay: what there is most of the time in the last tenth, beyond what there was in the first half.

    One that comes and goes is none. In the short time the pool may still be filling: then those beyond one for each thread
    and kind of sign-in.
    """
    if full:
        begun, ended = (
            seen.connections[: len(seen.connections) // 2],
            seen.connections[-len(seen.connections) // 10 :],
        )
        return max(0, math.ceil(statistics.median(ended) - statistics.median(begun)))
    children = sum(name == "web child" for name, _pid in seen.memory)
    holds = 2 * (THREADS * children + len(seen.memory) - children)
    return max(0, max(seen.connections) - holds)


def _line(load: Load, seen: Seen, seconds: float, leaked: int) -> dict[str, Any]:
    growth: list[tuple[str, float, float]] = []
    for (name, _pid), points in seen.memory.items():
        if points[-1][0] - points[0][0] >= LIVED * seconds:
            start, share = _growth(points, seconds)
            growth.append((name, start, share))
    wrong = {name: count for name, count in load.wrong.items() if count}
    answered = sorted(load.seconds)
    figures: dict[str, Any] = {
        "seconds": seconds,
        "events_a_second": round(load.answers["events"] / max(1, load.answers["upload"]), 1),
        "answers": dict(load.answers),
        "not_as_expected": wrong,
        "late": load.late,
        "p95_seconds": round(answered[int(len(answered) * 0.95)], 3) if answered else None,
        "growth": [f"{name}: {mib:.0f} MiB {share:+.2%}" for name, mib, share in growth],
        "most_growth": round(max((share for *_, share in growth), default=1), 4),
        "connections": {
            "first": seen.connections[0],
            "most": max(seen.connections),
            "last": seen.connections[-1],
        },
        "connections_leaked": leaked,
    }
    names = {name for name, *_ in growth}
    return {
        "name": "workers.soak",
        "figures": figures,
        "target": TARGET,
        "ok": {"web child", "worker", "worker child", "relay", "beat"} <= names
        and figures["most_growth"] < MOST_GROWTH
        and leaked == 0
        and not wrong,
        "seed": SEED,
    }


def _growth(points: Sequence[tuple[float, float]], seconds: float) -> tuple[float, float]:
    """Where the line begins, in MiB, and its growth over the whole time as a share of that."""
    slope, start = statistics.linear_regression(*zip(*points, strict=True))
    return start, slope * seconds / start


def _resident_mib(pid: int) -> float | None:
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE_BYTES / 2**20
    except (OSError, IndexError):
        return None


def _connections(superuser: psycopg.Connection[Any]) -> int:
    row = superuser.execute(CONNECTIONS).fetchone()
    return int(row[0]) if row else 0


def _say(text: str) -> None:
    print(f"drill: {text}", file=sys.stderr)
