"""One process that sweeps as a Celery worker does: a task a job, over a connection of its own, through all rounds."""

from __future__ import annotations

import logging
import multiprocessing
import time
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from uuid import UUID

Owed = Sequence[tuple[UUID, UUID]]  # jobs by operator and id


class Sweeper:
    """``peak_mib`` is the most memory the process has held, after the last round."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._end, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()
        self.peak_mib = 0.0

    def sweep(self, database: str, now: datetime, owed: Owed) -> float:
        """Do these jobs, by operator and id, at that instant; seconds it took. EOFError when the process has died."""
        self._end.send((database, now, list(owed)))
        seconds, peak_kib = self._end.recv()
        self.peak_mib = peak_kib / 1024
        return float(seconds)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.close()
        self._process.join()


def _work(end: Any) -> None:
    import django

    django.setup()
    from django.db import connections

    from accounts import clock
    from config.celery import app
    from tests.benchmarks.scale.world import use

    logging.getLogger("wickround.tasks").setLevel(
        logging.WARNING
    )  # a line a job is not for a benchmark's reader
    app.loader.import_default_modules()
    task, at = app.tasks["servicing.tasks.sweep"], ""
    try:
        while True:
            database, now, owed = end.recv()
            if database != at:
                use(database)
                at = database
            with clock.playing(now):
                connections["default"].ensure_connection()
                began = time.perf_counter()
                for operator_id, job_id in owed:
                    task(str(operator_id), str(job_id))
                end.send((time.perf_counter() - began, _peak_kib()))
    except EOFError:
        pass  # the rounds are over
    finally:
        connections.close_all()


def _peak_kib() -> int:
    """VmHWM: of this process alone, since it began."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
