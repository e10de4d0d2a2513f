"""Redis ends without a word while a worker has a message that it has not acknowledged, and starts again.

Other versions of celery and kombu, or a worker with mingle, leave their queues then and never come back; so this drill
runs the very command of docker-compose.yml with the very versions that are locked, and any change of either must pass it.
The task that holds its message seals a log, and waits for a lock on the seals that the drill has taken.
"""

from __future__ import annotations

import importlib.metadata
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self
from uuid import UUID

import psycopg
from celery import Celery
from django.conf import settings

from accounts import jobs, tenancy
from accounts.commands.auditing import CHECK
from accounts.commands.clockwork import SEAL
from accounts.tasks import QUEUES
from config import embedded
from config.celery import app
from config.embedded import valkey
from config.embedded.binaries import find_programs
from config.embedded.home import Home, make_home
from config.launch import spawn
from tests import composed
from tests.benchmarks.log.batches import new_operator
from tests.drills.clusters import end_at_once

SEED = 33
PATIENCE_SECONDS = 30
STARTS_WITHIN_SECONDS = 90
# The drill was made with these; what is locked must be these.
VERSIONS = {"celery": "5.6.2", "kombu": "5.6.2"}
FLAGS = ("--without-mingle", "--without-gossip")
TARGET = (
    f"the next task is done <= {PATIENCE_SECONDS} s after Redis is back in each trial, by the same worker, the task "
    "that ran is done once, versions and flags are those proven"
)


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 100 trials, and four with mingle, which the drill must find out of service; else 4 trials."""
    draw = random.Random(SEED)
    with Bench(servers) as bench:
        trials = [_tried(bench, n, draw, mingle=False) for n in range(100 if full else 4)]
        with_mingle = [_tried(bench, 1_000 + n, draw, mingle=True) for n in range(4 if full else 0)]
    yield _line(trials, with_mingle)


def _line(trials: list[Trial], with_mingle: list[Trial]) -> dict[str, Any]:
    versions = {name: importlib.metadata.version(name) for name in VERSIONS}
    commands = [composed.command(name) for name in composed.services() if name.startswith("worker")]
    times = sorted(one.next_seconds for one in trials if one.next_seconds is not None)
    figures = {
        "trials": len(trials),
        "resumed": len(times),
        "next_task_seconds_median": round(times[len(times) // 2], 1) if times else None,
        "next_task_seconds_most": round(times[-1], 1) if times else None,
        "running_task_done_once": sum(one.held_done for one in trials),
        "workers_that_ended": sum(not one.is_same_worker for one in trials),
        "persistent": sum(one.is_persistent for one in trials),
        "versions": versions,
        "flags_in_every_worker_command": all(flag in command for flag in FLAGS for command in commands),
        "cancels_on_loss": app.conf.worker_cancel_long_running_tasks_on_connection_loss,
        "with_mingle_out_of_service": f"{sum(one.next_seconds is None for one in with_mingle)} of {len(with_mingle)}",
    }
    return {
        "name": "workers.redis",
        "figures": figures,
        "target": TARGET,
        "ok": figures["resumed"] == figures["running_task_done_once"] == len(trials)
        and not figures["workers_that_ended"]
        and versions == VERSIONS
        and bool(figures["flags_in_every_worker_command"])
        and not figures["cancels_on_loss"],
        "seed": SEED,
    }


@dataclass(frozen=True, slots=True)
class Trial:
    """``next_seconds`` from Redis' return to the next task's end; None: not within patience."""

    next_seconds: float | None
    held_done: bool
    is_same_worker: bool
    is_persistent: bool


def _tried(bench: Bench, number: int, draw: random.Random, *, mingle: bool) -> Trial:
    """One worker, one message held, Redis gone for 0.3 to 3 s. The task goes on before, during or after that."""
    away, lets_go = draw.uniform(0.3, 3), draw.choice(("while away", "when back", "later"))
    is_persistent = draw.random() < 0.5
    with ExitStack() as stack:
        redis = stack.enter_context(Redis(bench.folder / f"redis{number}", is_persistent=is_persistent))
        worker = stack.enter_context(_worker(bench, redis, mingle=mingle))
        held, following = (bench.owe(kind) for kind in (SEAL, CHECK))
        with bench.seals_locked() as lock:
            redis.send(held)
            _wait(bench.is_waited_for, STARTS_WITHIN_SECONDS, "the worker is at no task")
            redis.end()
            if lets_go == "while away":
                lock.rollback()
            time.sleep(away)
            redis.start()
            back_at = time.monotonic()
            if lets_go == "when back":
                lock.rollback()
            redis.send(following)
            is_next_done = _waited(lambda: bench.is_done(following), PATIENCE_SECONDS)
            seconds = time.monotonic() - back_at
        is_held_done = _waited(lambda: bench.is_done(held), PATIENCE_SECONDS)
        is_same_worker = worker.poll() is None
        if not is_next_done:
            _say_why(bench)
    print(
        f"drill: trial {number}: {seconds:.1f} s, away {away:.1f} s, let go {lets_go}, "
        f"{'with' if is_persistent else 'without'} a file{', with mingle' if mingle else ''}",
        file=sys.stderr,
    )
    return Trial(seconds if is_next_done else None, is_held_done, is_same_worker, is_persistent)


@dataclass(frozen=True, slots=True)
class Owed:
    operator_id: UUID
    job_id: UUID
    kind: str


class Bench:
    """The database that all trials share, and what is seen of it by a superuser."""

    def __init__(self, servers: embedded.Servers) -> None:
        self.servers = servers
        self.folder = Path(tempfile.mkdtemp(prefix="wickround-"))

    def __enter__(self) -> Self:
        self._eye = psycopg.connect(self.servers.superuser_url, autocommit=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._eye.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def owe(self, kind: str) -> Owed:
        """A job of a new operator, leased as the relay leases it."""
        operator_id = new_operator("redis")
        with tenancy.operator_scope(operator_id, durable=True):
            jobs.enqueue(kind=kind, dedup_key="drill")
        row = self._eye.execute(
            "UPDATE accounts_job SET attempts = 1, lease_until = now() + interval '10 minutes' "
            "WHERE operator_id = %s AND kind = %s RETURNING id",
            [operator_id, kind],
        ).fetchone()
        assert row is not None
        return Owed(operator_id, row[0], kind)

    @contextmanager
    def seals_locked(self) -> Iterator[psycopg.Connection[Any]]:
        """Whoever reads seals waits until the transaction ends."""
        with psycopg.connect(self.servers.superuser_url) as lock:
            lock.execute("LOCK TABLE servicing_seal IN ACCESS EXCLUSIVE MODE")
            try:
                yield lock
            finally:
                lock.rollback()

    def is_waited_for(self) -> bool:
        row = self._eye.execute(
            "SELECT count(*) FROM pg_locks WHERE relation = 'servicing_seal'::regclass AND NOT granted"
        ).fetchone()
        return row is not None and row[0] > 0

    def is_done(self, owed: Owed) -> bool:
        row = self._eye.execute(
            "SELECT done_at FROM accounts_job WHERE operator_id = %s AND id = %s",
            [owed.operator_id, owed.job_id],
        ).fetchone()
        return row is not None and row[0] is not None


class Redis:
    """A Valkey of its own for one trial, with a file that keeps what it holds or without."""

    def __init__(self, folder: Path, *, is_persistent: bool) -> None:
        self._home: Home = make_home(folder)
        self._is_persistent = is_persistent
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port: int = probe.getsockname()[1]
        self.url = f"redis://:{self._home.passwords()['valkey']}@127.0.0.1:{self._port}/0"
        # A publisher of its own: the pool of the drill's application may lead to a server of a trial before.
        self._app = Celery("drill", broker=self.url)
        self._app.conf.update(
            broker_transport_options=app.conf.broker_transport_options,
            task_queues=app.conf.task_queues,
            task_default_queue=app.conf.task_default_queue,
            task_create_missing_queues=False,
            task_serializer="json",
        )

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._app.close()
        self.end()
        shutil.rmtree(self._home.path, ignore_errors=True)

    def start(self) -> None:
        self._process = valkey.start_valkey(
            self._home, find_programs(), port=self._port, durable=self._is_persistent
        )
        password = self._home.passwords()["valkey"]
        _wait(lambda: valkey.answers(self._port, password), 30, "Valkey does not answer")

    def end(self) -> None:
        """As if the machine had gone: nothing is written any more."""
        end_at_once(self._process.pid)
        self._process.wait()

    def send(self, owed: Owed) -> None:
        """As the relay sends it."""
        self._app.send_task(
            owed.kind,
            args=[str(owed.operator_id), str(owed.job_id)],
            queue=QUEUES.get(owed.kind, "default"),
            ignore_result=True,
        )


@contextmanager
def _worker(bench: Bench, redis: Redis, *, mingle: bool) -> Iterator[subprocess.Popen[bytes]]:
    """The compose file's worker for long work; what it said is told if the trial fails."""
    words = [word for word in composed.command("worker-bulk") if not (mingle and word == FLAGS[0])]
    assert words[0] == "celery"
    log = bench.folder / f"worker{time.monotonic_ns()}.log"
    environment = {
        **os.environ,
        **bench.servers.environment(),
        "REDIS_URL": redis.url,
        "PYTHONUNBUFFERED": "1",
        "PYTHONWARNINGS": "ignore:You're running the worker with superuser",
    }
    with log.open("wb") as output:
        process = spawn(
            [sys.executable, "-m", *words],
            death_signal=signal.SIGKILL,
            cwd=Path(settings.BASE_DIR),
            env=environment,
            output=output,
        )
    try:
        yield process
    finally:
        end_at_once(process.pid)
        process.wait()


def _say_why(bench: Bench) -> None:
    log = max(bench.folder.glob("worker*.log"), key=lambda one: one.stat().st_mtime)
    print(
        f"drill: out of service; the worker said:\n{log.read_text(errors='replace')[-4000:]}", file=sys.stderr
    )


def _waited(is_so: Callable[[], bool], seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while not (found := is_so()) and time.monotonic() < deadline:
        time.sleep(0.05)
    return found


def _wait(is_so: Callable[[], bool], seconds: float, otherwise: str) -> None:
    assert _waited(is_so, seconds), f"{otherwise} after {seconds:.0f} s"
