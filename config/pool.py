"""Celery's pool of processes, which after a lost connection still knows which of them are at a task.

Celery 5.6 forgets it then. The next task may be written to a process that is busy, and waits there beside idle ones until
that one is done, for up to a minute; the drill workers.redis shows it.
"""

from __future__ import annotations

from celery.concurrency.asynpool import AsynPool
from celery.concurrency.prefork import TaskPool


class Children(AsynPool):
    def flush(self) -> None:
        """Let go of what was not yet handed on. Who works goes on and is busy until the result is there."""
        busy = self._busy_workers - self._active_writes
        super().flush()
        # In place, since others hold the very set; a process that ended meanwhile has no pipe any more.
        self._busy_workers.update(busy & self._all_inqueues)


class Pool(TaskPool):
    Pool = Children
