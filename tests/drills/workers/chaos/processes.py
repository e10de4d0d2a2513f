"""Processes of this machine, and a port that is free."""

from __future__ import annotations

import socket
from contextlib import suppress
from pathlib import Path

from config import supervisor


def children_of(pid: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with suppress(OSError):
                # After the name, which stands in brackets and may hold anything: state, parent (proc_pid_stat(5)).
                if int((entry / "stat").read_text().rpartition(")")[2].split()[1]) == pid:
                    found.append(int(entry.name))
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((supervisor.HOST, 0))
        return int(probe.getsockname()[1])
