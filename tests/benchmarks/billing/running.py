"""Closing in a process of its own, seen from outside."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from typing import Any
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Closed:
    """What a closing process said last. ``refused`` "": it closed the month."""

    seconds: float
    peak_mib: float
    refused: str = ""
    digest: str = ""


def started(operator_id: UUID, how: str = "close") -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.benchmarks.billing.closer", str(operator_id), how]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={**os.environ})


def ended(process: subprocess.Popen[str]) -> Closed:
    """Waits for it; what it said of its parts is passed over."""
    said, _ = process.communicate()
    lines = said.splitlines()
    assert process.returncode == 0, f"Closing ended with {process.returncode}."
    return Closed(**json.loads(lines[-1]))


def killed_after(process: subprocess.Popen[str], share: float) -> dict[str, Any]:
    """Reads its lines until so much of its parts is done, ends it by signal 9, and gives the line it was at.

    ``began``: what was done when it took the work up.
    """
    assert process.stdout is not None
    began: int | None = None
    for line in process.stdout:
        said: dict[str, Any] = json.loads(line)
        if "parts" not in said:
            break
        began = said["done"] if began is None else began
        if said["parts"] and said["done"] >= share * said["parts"]:
            process.send_signal(signal.SIGKILL)
            process.communicate()
            return {**said, "began": began, "signal": -process.returncode}
    raise AssertionError("It had ended before it could be ended.")
