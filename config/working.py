"""What Celery's processes do around their work: how they log, in which file a worker's child counts, what they trace."""

from __future__ import annotations

import logging.config
from collections.abc import Mapping, MutableMapping
from typing import Any

import billiard
from celery import signals
from django.conf import settings

from config import tracing
from config.metrics import counting, exporter


def connect() -> None:
    """Have Celery tell when a process begins and when a message is sent; to be called once."""
    signals.setup_logging.connect(_set_up_logging)
    signals.worker_process_init.connect(_begin_child)
    signals.before_task_publish.connect(_carry)


def begin() -> None:
    """In the process that starts a worker's children, before any of them: where they count, and where that is read."""
    if settings.METRICS_PORT:
        exporter.serve(settings.METRICS_PORT)


def queue_of(request: Any) -> str:
    """By which queue a task came; "" for one that is called in this process."""
    return str((request.delivery_info or {}).get("routing_key") or "")


def headers_of(request: Any) -> Mapping[str, str]:
    """What of a task's message says how its sender is traced (W3C Trace Context)."""
    found = {name: request.get(name) for name in ("traceparent", "tracestate")}
    return {name: str(value) for name, value in found.items() if value}


def _set_up_logging(loglevel: int | None = None, **_said: Any) -> None:
    """In place of Celery's own: one form of lines for everything; the level is what the command was given."""
    logging.config.dictConfig(settings.LOGGING)
    if loglevel:
        logging.getLogger().setLevel(loglevel)


def _begin_child(**_said: Any) -> None:
    counting.take_place(f"worker-{getattr(billiard.current_process(), 'index', 0)}")
    tracing.start("worker")


def _carry(headers: MutableMapping[str, str] | None = None, **_said: Any) -> None:
    if headers is not None:
        tracing.carry(headers)
