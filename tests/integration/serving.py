"""The product served over HTTP for programs that are tried from outside, at the time of the tests' standing clock."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from django.conf import settings

from accounts.clock import OFFSET_VARIABLE
from config import embedded, supervisor
from config.launch import spawn
from tests.cast import NOON

ROOT = Path(__file__).resolve().parent.parent.parent
READY_SECONDS = 120
# As the tests have it: what they sign, the served product reads.
SECRET = "only the tests sign with these words, and nobody else"
# Whoever is tried here is not to be slowed down; that quotas hold has tests of its own.
UNLIMITED = "1000000/1000000"


@contextmanager
def served(servers: embedded.Servers, log: Path, extra: Mapping[str, str] | None = None) -> Iterator[str]:
    """The address of a web server of its own, such as ``http://127.0.0.1:40001``; what it prints goes to ``log``."""
    port = _free_port()
    with log.open("wb") as output:
        process = spawn(
            supervisor.web(port).command,
            death_signal=signal.SIGTERM,
            cwd=ROOT,
            env={**os.environ, **environment(servers), **(extra or {})},
            output=output,
        )
        try:
            address = f"http://{supervisor.HOST}:{port}"
            _wait(address, process, log)
            yield address
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


def environment(servers: embedded.Servers) -> dict[str, str]:
    """For programs of the product beside the tests: the servers, the time, and no quota."""
    rates = {
        f"WICKROUND_RATE_{name}": UNLIMITED
        for name in ("CREDENTIAL", "OPERATOR", "ADDRESS", "CLIENT", "VISITOR")
    }
    return {
        **servers.environment(),
        **rates,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "WICKROUND_HTTPS": "no",
        "WICKROUND_SECRET_KEY": SECRET,
        "WICKROUND_SECOND_FACTOR": "no",
        OFFSET_VARIABLE: str((NOON - datetime.now(UTC)).total_seconds()),
    }


def as_in_the_tests() -> None:
    """For a process that makes an operator outside of them: whose pages it may ask, and what it signs with."""
    settings.ALLOWED_HOSTS.append("testserver")
    settings.SECRET_KEY = SECRET
    # The second factor has tests of its own.
    settings.SECOND_FACTOR_NEEDED = False


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((supervisor.HOST, 0))
        return int(probe.getsockname()[1])


def _wait(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + READY_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        try:
            with urllib.request.urlopen(f"{address}/healthz", timeout=5):
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    raise RuntimeError(f"The web server does not answer:\n{log.read_text()[-2_000:]}")
