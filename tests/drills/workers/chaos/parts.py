"""The whole product and its servers as processes of this machine: each is ended by SIGKILL now and then, and started again.

PostgreSQL is durable; Valkey keeps nothing, so that whatever it held is gone with it. What ends is started again at once,
as a deployment with ``restart: always`` does.
"""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from config import embedded, supervisor
from config.embedded import postgres, valkey
from config.embedded.binaries import find_programs
from config.embedded.home import make_home
from config.launch import spawn
from tests.drills.workers.chaos.processes import children_of, free_port

PAUSE_SECONDS = 0.2
READY_SECONDS = 90
# How often each is ended, in a hundred: those oftener that are soon there again, so that there is somebody to end.
WEIGHTS = {
    "pool child": 28,
    "postgres": 19,
    "valkey": 18,
    "web child": 12,
    "worker": 9,
    "relay": 8,
    "beat": 3,
    "web": 3,
}
CHILDREN_OF = {"pool child": "worker", "web child": "web"}


@dataclass
class Kept:
    """A process that is started again when it has ended."""

    name: str
    start: Callable[[], subprocess.Popen[bytes]]
    process: subprocess.Popen[bytes] | None = None
    start_at: float = 0
    starts: int = 0


class Machine:
    """Call all of it from one thread that lives on: what it starts ends with that thread."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with embedded.start(folder, durable=True, keep=True) as made:
            self.servers = made.servers
        self._programs = find_programs()
        self._home = make_home(folder)
        self._home.take(keep=False)
        self._ports = [
            int(url.rpartition("@")[2].rpartition(":")[2].split("/")[0])
            for url in (self.servers.superuser_url, self.servers.redis_url)
        ]
        self.port = free_port()
        self.kept = {
            "postgres": Kept("postgres", self._postgres),
            "valkey": Kept("valkey", self._valkey),
        }

    @property
    def address(self) -> str:
        return f"http://{supervisor.HOST}:{self.port}"

    def start_servers(self) -> None:
        self.look()
        self._wait(lambda: postgres.answers(self.servers.superuser_url))

    def start_product(self) -> None:
        """Web, worker, relay and beat, by the commands that the demo runs, in this process's own environment."""
        for part in (
            supervisor.web(self.port),
            supervisor.worker(),
            supervisor.relay(),
            supervisor.beat(self.folder),
        ):
            self.kept[part.name] = Kept(part.name, lambda part=part: self._product(part))  # type: ignore[misc]
        self.look()
        self._wait(lambda: _listens(self.port) and bool(self.children("worker")))

    def look(self) -> None:
        """Start again what has ended."""
        now = time.monotonic()
        for one in self.kept.values():
            if one.process is not None and one.process.poll() is not None:
                one.process, one.start_at = None, now + PAUSE_SECONDS
            if one.process is None and now >= one.start_at:
                one.process = one.start()
                one.starts += 1

    def children(self, name: str) -> list[int]:
        """The processes that a part has started."""
        process = self.kept[name].process
        return children_of(process.pid) if process is not None and process.poll() is None else []

    def fault(self, draw: random.Random) -> str | None:
        """End one by SIGKILL; its name, or None when the one drawn does not run just now."""
        name = draw.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
        if name in CHILDREN_OF:
            children = sorted(self.children(CHILDREN_OF[name]))
            if not children:
                return None
            with suppress(ProcessLookupError):
                os.kill(draw.choice(children), signal.SIGKILL)
            return name
        process = self.kept[name].process
        if process is None or process.poll() is not None:
            return None
        # The postmaster's children would go on for a moment with memory that the next one makes anew.
        with_children = children_of(process.pid) if name == "postgres" else []
        process.send_signal(signal.SIGKILL)
        process.wait()
        for child in with_children:
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        while any(Path(f"/proc/{child}/exe").exists() for child in with_children):
            time.sleep(0.01)
        return name

    def stop(self) -> None:
        for number, patience_seconds in ((signal.SIGTERM, 15), (signal.SIGQUIT, 5), (signal.SIGKILL, 5)):
            for name in reversed(self.kept):
                process = self.kept[name].process
                if process is not None and process.poll() is None:
                    # Fast for PostgreSQL, which waits for its clients otherwise.
                    process.send_signal(
                        signal.SIGINT if name == "postgres" and number == signal.SIGTERM else number
                    )
            deadline = time.monotonic() + patience_seconds
            while self._runs() and time.monotonic() < deadline:
                time.sleep(0.1)
        self._home.leave(remove=True)

    def _runs(self) -> bool:
        return any(one.process is not None and one.process.poll() is None for one in self.kept.values())

    def _postgres(self) -> subprocess.Popen[bytes]:
        return postgres.start_postgres(
            self._home, self._programs, port=self._ports[0], durable=True, further={}
        )

    def _valkey(self) -> subprocess.Popen[bytes]:
        return valkey.start_valkey(self._home, self._programs, port=self._ports[1], durable=False)

    def _product(self, part: supervisor.Part) -> subprocess.Popen[bytes]:
        env = {**os.environ, "PYTHONUNBUFFERED": "1"}
        with (self.folder / f"{part.name}.log").open("ab") as log:
            return spawn(part.command, death_signal=signal.SIGKILL, cwd=supervisor.ROOT, env=env, output=log)

    def _wait(self, ready: Callable[[], bool]) -> None:
        deadline = time.monotonic() + READY_SECONDS
        while not ready():
            assert time.monotonic() < deadline, "The product does not start."
            self.look()
            time.sleep(0.1)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex((supervisor.HOST, port)) == 0
