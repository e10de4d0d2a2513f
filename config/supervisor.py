"""Run the web server, a worker, the relay and beat beside each other, as the demo does. A deployment has a supervisor of its own.

    with Supervisor(env) as supervisor:
        supervisor.start(worker())
        supervisor.start(web(port))
        supervisor.wait_for_web(port)
        supervisor.watch()

Use it from the main thread: the programs end with the thread that started them.
"""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, TracebackType
from typing import IO, Self

from config.launch import spawn

ROOT = Path(__file__).resolve().parent.parent
HOST = "127.0.0.1"
# On a person's own machine the worker may be root; a deployment has a user for it.
CELERY = (
    sys.executable,
    "-W",
    "ignore:You're running the worker with superuser",
    "-m",
    "celery",
    "-q",
    "-A",
    "config",
)
QUEUES = "alerts,default,bulk,webhooks"
LOOK_EVERY_SECONDS = 0.2
STEADY_SECONDS = 30  # a program that ran this long begins again with the shortest pause
LONGEST_PAUSE_SECONDS = 30
STOP_SECONDS = 8  # then SIGKILL, so that Ctrl-C takes about ten seconds at most
READY_SECONDS = 60


class NotServingError(Exception):
    """The web server cannot be reached; the text is one sentence for a person."""


@dataclass
class Part:
    """One program and what keeps it running. Instants are monotonic seconds."""

    name: str
    command: list[str | Path]
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0
    start_at: float = 0
    pause_seconds: float = 1

    def has_ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None


def web(port: int) -> Part:
    """Serve pages and API on 127.0.0.1."""
    options = ["--bind", f"{HOST}:{port}", "--worker-class", "gthread", "--workers", "2", "--threads", "4"]
    options += ["--graceful-timeout", "5", "--no-control-socket", "--log-level", "warning"]
    return Part("web", [sys.executable, "-m", "gunicorn", "config.wsgi", *options])


def worker() -> Part:
    """One worker for all queues; without mingle, which keeps a worker from its queues when Redis restarts."""
    options = ["--without-mingle", "--without-gossip", "-Q", QUEUES, "--hostname", "trial@localhost"]
    return Part(
        "worker",
        [*CELERY, "worker", *options, "--loglevel", "WARNING"],
    )


def relay() -> Part:
    """Sends what is owed to the workers, about once a second."""
    return Part("relay", [sys.executable, ROOT / "manage.py", "relay"])


def beat(state: Path) -> Part:
    """The clockwork; `state` is a folder for its file."""
    options = ["-s", str(state / "beat-schedule"), "--pidfile=", "--loglevel", "WARNING"]
    return Part("beat", [*CELERY, "beat", *options])


def require_free_port(port: int) -> None:
    """Raises NotServingError if something listens on `port`."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise NotServingError(
                f"Port {port} is already in use; choose another one with PORT=, for example `make demo PORT={port + 1}`."
            ) from error


def serve(
    env: Mapping[str, str], port: int, *, state: Path, on_ready: Callable[[], None] | None = None
) -> None:
    """Run all of them until Ctrl-C or SIGTERM, then stop them and return.

    `env` is added to this process's own; `on_ready` is called once, when the web server answers.
    Raises NotServingError if the port is taken or the web server does not come up.
    """
    require_free_port(port)
    with Supervisor(env) as supervisor:
        for part in (web(port), worker(), relay(), beat(state)):
            supervisor.start(part)
        supervisor.wait_for_web(port)
        if on_ready is not None and not supervisor.is_asked_to_stop:
            on_ready()
        supervisor.watch()


class Supervisor:
    """Starts parts, starts again what ends, and stops all of them at the end of the `with` block."""

    def __init__(self, env: Mapping[str, str]) -> None:
        self._environment = {**os.environ, "PYTHONUNBUFFERED": "1", **env}
        self._parts: list[Part] = []
        self._asked = threading.Event()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def is_asked_to_stop(self) -> bool:
        return self._asked.is_set()

    def start(self, part: Part) -> None:
        self._parts.append(part)
        self._keep_running(part)

    def wait_for_web(self, port: int) -> None:
        """Until the web server answers anything, or somebody asks to stop. Raises NotServingError after 60 s or when it ends."""
        deadline = time.monotonic() + READY_SECONDS
        with self._stop_asked():
            while not self._asked.is_set() and not _answers(f"http://{HOST}:{port}/"):
                if any(part.name == "web" and part.has_ended() for part in self._parts):
                    raise NotServingError("The web server ended at its start; its lines above say why.")
                if time.monotonic() > deadline:
                    raise NotServingError(
                        f"The web server does not answer on port {port} after {READY_SECONDS} s; its lines above say why."
                    )
                self._look()

    def watch(self) -> None:
        """Until Ctrl-C or SIGTERM."""
        with self._stop_asked():
            while not self._asked.is_set():
                self._look()

    def stop(self) -> None:
        """SIGTERM to each, SIGKILL to the whole session of whoever is late."""
        alive = [
            part.process for part in self._parts if part.process is not None and part.process.poll() is None
        ]
        for process in alive:
            process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + STOP_SECONDS
        for process in alive:
            try:
                process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
        self._parts = []

    def _look(self) -> None:
        for part in self._parts:
            self._keep_running(part)
        self._asked.wait(LOOK_EVERY_SECONDS)

    def _keep_running(self, part: Part) -> None:
        now = time.monotonic()
        if part.process is not None and part.has_ended():
            if now - part.started_at > STEADY_SECONDS:
                part.pause_seconds = 1
            status, pause = part.process.returncode, part.pause_seconds
            _say(part.name, f"ended with status {status}; starts again in {pause:g} s")
            part.process, part.start_at = None, now + pause
            part.pause_seconds = min(pause * 2, LONGEST_PAUSE_SECONDS)
        if part.process is None and now >= part.start_at:
            part.started_at = now
            part.process = spawn(
                part.command,
                death_signal=signal.SIGTERM,
                cwd=ROOT,
                env=self._environment,
                output=subprocess.PIPE,
            )
            assert part.process.stdout is not None
            threading.Thread(target=_forward, args=(part.name, part.process.stdout), daemon=True).start()

    @contextmanager
    def _stop_asked(self) -> Iterator[None]:
        """Ctrl-C and SIGTERM ask to stop while the block runs."""

        def ask(_number: int, _frame: FrameType | None) -> None:
            self._asked.set()

        before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def _forward(name: str, output: IO[bytes]) -> None:
    with output:
        for line in output:
            _say(name, line.decode(errors="replace").rstrip())


def _say(name: str, text: str) -> None:
    sys.stderr.write(f"{name:6} | {text}\n")
    sys.stderr.flush()


def _answers(address: str) -> bool:
    try:
        urllib.request.urlopen(address, timeout=2).close()  # noqa: S310 - our own address
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True
