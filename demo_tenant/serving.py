"""Runs web server, worker and beat beside each other, starts again what ends by itself, and ends all of it."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from django.conf import settings

from config.launch import spawn

PATIENCE_SECONDS = 30
ENDING_SECONDS = 25
BREATH_SECONDS = 1.0


class NotServing(RuntimeError):
    """A program ended or did not answer; the text says which, and where its words are."""


@dataclass(frozen=True, slots=True)
class Program:
    """``name`` also names its log in the run folder."""

    name: str
    command: tuple[str, ...]


def worker() -> Program:
    celery = (sys.executable, "-m", "celery", "-A", "config.celery", "worker", "--hostname=demo@localhost")
    # Mingle keeps a worker from its queues when Redis restarts.
    return Program("worker", (*celery, "--without-mingle", "--loglevel=WARNING"))


def beat(folder: Path) -> Program:
    celery = (sys.executable, "-m", "celery", "-A", "config.celery", "beat", "--loglevel=WARNING")
    return Program("beat", (*celery, f"--schedule={folder / 'beat-schedule'}", "--pidfile="))


def web(port: int) -> Program:
    gunicorn = (sys.executable, "-m", "gunicorn", "config.wsgi:application", f"--bind=127.0.0.1:{port}")
    return Program(
        "web", (*gunicorn, "--worker-class=gthread", "--workers=2", "--threads=4", "--log-level=warning")
    )


class Programs:
    """Started programs of one folder; leaving the ``with`` block ends them."""

    def __init__(self, folder: Path, programs: Sequence[Program]) -> None:
        self.folder = folder
        self.programs = {program.name: program for program in programs}
        self.processes: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> Self:
        for name in self.programs:
            self._start(name)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def log(self, name: str) -> Path:
        return self.folder / f"{name}.log"

    def _start(self, name: str) -> None:
        with self.log(name).open("ab") as output:
            self.processes[name] = spawn(
                self.programs[name].command,
                death_signal=signal.SIGTERM,
                cwd=settings.BASE_DIR,
                env=os.environ,
                output=output,
            )

    def wait_for_web(self, address: str) -> None:
        """Until the address answers anything at all. Raises NotServing after 30 s or when the server ends."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        while not _answers(address):
            if self.processes["web"].poll() is not None or time.monotonic() > deadline:
                raise NotServing(
                    f"The web server does not answer at {address}; its words are in {self.log('web')}."
                )
            time.sleep(0.1)

    def watch(self) -> None:
        """Until interrupted, or until the process that started us is gone: start again what has ended."""
        parent = os.getppid()
        with contextlib.suppress(KeyboardInterrupt):
            while os.getppid() == parent:
                time.sleep(BREATH_SECONDS)
                for name, process in list(self.processes.items()):
                    if process.poll() is not None:
                        sys.stderr.write(
                            f"The {name} ended with status {process.returncode}; starting it again.\n"
                        )
                        self._start(name)

    def stop(self) -> None:
        for process in self.processes.values():
            if process.poll() is None:
                process.terminate()
        deadline = time.monotonic() + ENDING_SECONDS
        for process in self.processes.values():
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(max(0.1, deadline - time.monotonic()))
            if process.poll() is None:
                process.kill()
                process.wait()


def _answers(address: str) -> bool:
    try:
        urllib.request.urlopen(address, timeout=2).close()  # noqa: S310 - our own address
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True
