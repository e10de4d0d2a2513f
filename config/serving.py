"""The hooks of gunicorn: which of the web server's processes counts in which file, and how the server itself logs.

Runs in the process that starts the workers too, which knows nothing of Django.
"""

from __future__ import annotations

import os
from typing import Any

from config import logs
from config.metrics import counting

_FORM = os.environ.get("WICKROUND_LOG_FORMAT", "") or "json"
# gunicorn's own: what it has to say goes where everything else goes. Each request is told by config.observing, so its
# access log, which would show what is asked for behind a question mark, is written nowhere.
logconfig_dict: dict[str, Any] = logs.configuration(
    _FORM if _FORM in logs.FORMATS else "json", os.environ.get("WICKROUND_LOG_LEVEL", "") or "INFO"
)
logconfig_dict["loggers"] |= {
    "gunicorn.error": {"handlers": [], "propagate": True},
    "gunicorn.access": {"handlers": ["null"], "propagate": False},
}
logconfig_dict["handlers"]["null"] = {"class": "logging.NullHandler"}


def on_starting(_server: Any) -> None:
    counting.share()


def pre_fork(server: Any, worker: Any) -> None:
    """Give a worker to be the lowest place that no living one has."""
    taken = {one.place for one in server.WORKERS.values()}
    worker.place = next(number for number in range(len(taken) + 1) if number not in taken)


def post_fork(_server: Any, worker: Any) -> None:
    counting.take_place(f"web-{worker.place}")


def on_exit(_server: Any) -> None:
    counting.unshare()
