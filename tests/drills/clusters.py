"""Another cluster in the place of the drill's own, and a server that is gone from one moment to the next."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

from django.db import connections

from config import embedded


@contextmanager
def connected_to(servers: embedded.Servers) -> Iterator[None]:
    """Django's three connections lead to another cluster; those of other threads once they connect anew."""
    urls = {
        "default": servers.database_url,
        "system": servers.database_system_url,
        "migrate": servers.database_migrate_url,
    }
    before = {alias: dict(connections[alias].settings_dict) for alias in urls}
    connections.close_all()
    for alias, url in urls.items():
        parts = urlsplit(url)
        connections[alias].settings_dict.update(
            HOST=parts.hostname, PORT=str(parts.port), USER=parts.username, PASSWORD=parts.password
        )
    try:
        yield
    finally:
        connections.close_all()
        for alias, kept in before.items():
            connections[alias].settings_dict.update(kept)


def end_at_once(pid: int) -> None:
    """SIGKILL to a process and all below it, as when a machine is gone; returns once none of them is left."""
    family = [pid, *_below(pid)]
    for one in family:
        with suppress(ProcessLookupError):
            os.kill(one, signal.SIGKILL)
    deadline = time.monotonic() + 30
    while any(_runs(one) for one in family) and time.monotonic() < deadline:
        time.sleep(0.01)


def _below(pid: int) -> list[int]:
    parents: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = stat.read_text().rpartition(")")[2].split()
            parents.setdefault(int(fields[1]), []).append(int(stat.parent.name))
    found, wanted = [], [pid]
    while wanted:
        children = parents.get(wanted.pop(), [])
        found += children
        wanted += children
    return found


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
