"""A worker's signs of life: by its first message, and by whatever work it does. Its process being there says nothing.

A worker that no longer takes messages, as after a lost connection, does no work, and is noticed by that.
"""

from __future__ import annotations

import logging
import time
from typing import Any

from celery.signals import task_postrun, worker_ready, worker_shutdown
from django.db import DatabaseError

NOTED_EVERY_SECONDS = 30.0

log = logging.getLogger(__name__)


class Noted:
    """When this process last noted that its worker works, in monotonic seconds."""

    at = -NOTED_EVERY_SECONDS


def connect() -> None:
    worker_ready.connect(_call_itself)
    task_postrun.connect(_note_work)
    worker_shutdown.connect(_note_end)


def _call_itself(sender: Any, **_rest: Any) -> None:
    """A new worker is known to nobody: it sends itself its first call."""
    try:
        sender.app.tasks["accounts.tasks.call_worker"].run(sender.hostname)
    except Exception:  # the next task that comes in makes it known
        log.warning("worker_not_called name=%s", sender.hostname, exc_info=True)


def _note_work(task: Any, **_rest: Any) -> None:
    # Here, because Celery reads this module before Django is set up.
    from accounts import jobs  # noqa: PLC0415

    name, now = task.request.hostname, time.monotonic()
    if not name or task.request.is_eager or now - Noted.at < NOTED_EVERY_SECONDS:
        return
    try:
        jobs.beat(jobs.of_worker(name))
    except DatabaseError:
        return
    Noted.at = now


def _note_end(sender: Any, **_rest: Any) -> None:
    from accounts import jobs  # noqa: PLC0415

    try:
        jobs.note_end(jobs.of_worker(sender.hostname))
    except DatabaseError:
        log.warning("worker_end_not_noted name=%s", sender.hostname)
