"""What a process counts while it works: requests and tasks, how many and how long.

The processes of one web server, and of one worker, keep their counts in files of one folder, so that each of them can
tell the sum. A file belongs to a place among these processes, not to a process: whoever takes the place of one that
ended counts on in its file, so nothing is lost and no files pile up.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import prometheus_client
import prometheus_client.values
from prometheus_client import CollectorRegistry, Histogram
from prometheus_client.multiprocess import MultiProcessCollector

# The library's own name; it is set by ``share`` alone.
FOLDER = "PROMETHEUS_MULTIPROC_DIR"
_PREFIX = "wickround-metrics-"
SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60)
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})

prometheus_client.disable_created_metrics()


class Counts:
    """Where this process counts. ``folder`` is None, and ``place`` says nothing, while it shares with nobody."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder
        self.place = "alone"
        self.registry = CollectorRegistry(auto_describe=True)
        self.requests = Histogram(
            "wickround_http_request_duration_seconds",
            "Seconds from a request to the first byte of its answer, by the name of its address.",
            ["route", "method", "status"],
            buckets=SECONDS,
            registry=self.registry,
        )
        self.tasks = Histogram(
            "wickround_task_duration_seconds",
            "Seconds that a task took, by its name and what became of it: done, refused or failed.",
            ["task", "outcome"],
            buckets=SECONDS,
            registry=self.registry,
        )


class _Process:
    counts = Counts()


def _place() -> str:
    return _Process.counts.place


def share() -> Path:
    """A folder for the counts of this process's children, which are to take places in it; removed by ``unshare``.

    To be called before anything is counted. What processes that are gone left behind is removed.
    """
    above = Path(tempfile.gettempdir())
    for left in above.glob(f"{_PREFIX}*"):
        owner = left.name.removeprefix(_PREFIX).partition("-")[0]
        if owner == str(os.getpid()) or not Path("/proc", owner).exists():
            shutil.rmtree(left, ignore_errors=True)
    folder = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-", dir=above))
    os.environ[FOLDER] = str(folder)
    prometheus_client.values.ValueClass = prometheus_client.values.MultiProcessValue(
        process_identifier=_place
    )
    _Process.counts = Counts(folder)
    return folder


def unshare() -> None:
    """Remove the folder; in the process that made it alone."""
    folder = _Process.counts.folder
    if folder is not None and folder.name.startswith(f"{_PREFIX}{os.getpid()}-"):
        shutil.rmtree(folder, ignore_errors=True)


def take_place(name: str) -> None:
    """From now on this process counts in the file of this place. No two processes at a time may have the same."""
    _Process.counts.place = name


def count_request(*, route: str, method: str, status: int, seconds: float) -> None:
    """``route``: an address's name, "" for one that there is none of, so that nobody can make up new ones."""
    known = method if method in METHODS else "other"
    _Process.counts.requests.labels(route or "none", known, str(status)).observe(seconds)


def count_task(*, task: str, outcome: str, seconds: float) -> None:
    _Process.counts.tasks.labels(task, outcome).observe(seconds)


def counted() -> CollectorRegistry:
    """A registry of what this process counted, and those that share its folder."""
    counts = _Process.counts
    if counts.folder is None:
        return counts.registry
    registry = CollectorRegistry()
    MultiProcessCollector(registry, str(counts.folder))
    return registry
