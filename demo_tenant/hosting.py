"""Embedded servers for the demo: starts them, keeps one database with one world, and runs the command again on them."""

from __future__ import annotations

import os
import secrets
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from config import embedded
from config.embedded import Servers
from demo_tenant.queries import held_world

DATABASE = "wickround_demo"
DATABASE_VARIABLES = ("DATABASE_URL", "DATABASE_SYSTEM_URL", "DATABASE_MIGRATE_URL")
NOTICE = "Invented data: no operator, place or person here is real, and no figure is a field rate."


@dataclass(frozen=True, slots=True)
class Wanted:
    """The world asked for; ``as_of`` None takes an earlier one of the same preset and seed as it is."""

    preset: str
    seed: str
    as_of: date | None

    def is_held_by(self, held: tuple[str, str, date] | None) -> bool:
        if held is None:
            return False
        preset, seed, as_of = held
        return (preset, seed) == (self.preset, self.seed) and self.as_of in {None, as_of}


def has_own_servers(environment: Mapping[str, str]) -> bool:
    """Whether the three database addresses are given, so that nothing is to be started."""
    return all(environment.get(name) for name in DATABASE_VARIABLES)


def run_on_embedded(folder: Path, wanted: Wanted, arguments: list[str], *, fresh: bool) -> int:
    """Start the servers of ``folder`` (or use those that run), and run ``manage.py`` with ``arguments`` on them.

    A database that holds another world, or the rest of a play that was broken off, is dropped and made anew.
    Returns the command's exit status.
    """
    with _servers(folder) as servers:
        there = embedded.create_database(servers, DATABASE)
        if fresh or not wanted.is_held_by(held_world(there.superuser_url)):
            embedded.drop_database(servers, DATABASE)
            there = embedded.create_database(servers, DATABASE)
        return _run(arguments, {**os.environ, **there.environment(), **_settings(folder)})


def run_on_demo(folder: Path, arguments: list[str]) -> int:
    """Run ``manage.py`` with ``arguments`` on the demo's database, as it was left. Returns the exit status.

    Raises ServersError when no demo has been played here.
    """
    if not (folder / "servers").exists():
        raise embedded.ServersError(
            "No database is named: set DATABASE_URL, DATABASE_SYSTEM_URL and DATABASE_MIGRATE_URL, "
            "or run `make demo` first to have one here."
        )
    with _servers(folder) as servers:
        there = embedded.create_database(servers, DATABASE)
        return _run(arguments, {**os.environ, **there.environment(), **_settings(folder)})


@contextmanager
def _servers(folder: Path) -> Iterator[Servers]:
    running = embedded.running(folder)
    if running is not None:
        yield running
        return
    with embedded.start(folder) as started:
        yield started.servers


def _settings(folder: Path) -> dict[str, str]:
    """What the product needs to know to be tried on one machine over plain HTTP."""
    return {
        "WICKROUND_SECRET_KEY": _secret_key(folder / "demo-secret-key"),
        "WICKROUND_HTTPS": "no",
        "WICKROUND_ALLOWED_HOSTS": "127.0.0.1,localhost",
        "WICKROUND_LOG_LEVEL": os.environ.get("WICKROUND_LOG_LEVEL", "WARNING"),
        # Read along in a terminal.
        "WICKROUND_LOG_FORMAT": os.environ.get("WICKROUND_LOG_FORMAT", "line"),
        "WICKROUND_NOTICE": NOTICE,
        "WICKROUND_EMAIL_FOLDER": str(folder / "mails"),
    }


def _secret_key(path: Path) -> str:
    """Drawn once, so that a sign-in outlives a restart; readable by the starting user only."""
    if not path.exists():
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(48))
    return path.read_text()


def _run(arguments: list[str], environment: dict[str, str]) -> int:
    """Run manage.py and wait; Ctrl-C reaches it by itself, a request to end is passed on."""
    child = subprocess.Popen([sys.executable, sys.argv[0], *arguments], env=environment)  # noqa: S603 - ourselves

    def pass_on(number: int, _: Any) -> None:
        child.send_signal(number)

    before = signal.signal(signal.SIGINT, signal.SIG_IGN), signal.signal(signal.SIGTERM, pass_on)
    try:
        return child.wait()
    finally:
        signal.signal(signal.SIGINT, before[0])
        signal.signal(signal.SIGTERM, before[1])
