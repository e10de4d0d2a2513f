"""What a log line says, and what it leaves out: the secret part of a link, which opens something to whoever has it.

A line is JSON (``WICKROUND_LOG_FORMAT=json``), or text for somebody who reads along (``line``). Both go to standard
error, a line an entry.
"""

from __future__ import annotations

import json
import logging
import re
import time
from collections.abc import Mapping, MutableMapping
from datetime import UTC, datetime
from typing import Any

from structlog.stdlib import ExtraAdder, ProcessorFormatter

from accounts import origin

_LINK = re.compile(r"(/shared/|/invitation/|/sign-in/new-password/[0-9a-f-]+/|/[Rr]/)[^/\s\"'\\]+")
# A line of the log is one entry: nobody who is quoted in it begins another (OWASP ASVS 5.0.0, 16.4.1).
_CONTROL = {code: f"\\x{code:02x}" for code in (*range(32), 127, 0x85, 0x2028, 0x2029)}

FORMATS = ("json", "line")
# What a line may carry beside its sentence. Nothing else that libraries hang on a record, such as a whole request.
FIELDS = (
    "method",
    "route",
    "path",
    "status",
    "bytes",
    "duration_ms",
    "task",
    "message_id",
    "queue",
    "outcome",
    "trace",
)


class HideLinks(logging.Filter):
    """Every line as it is, but "/shared/..." or "/r/..." where a link stood in it, and control characters spelt out."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        clean = without_links(said).translate(_CONTROL)
        if clean != said:
            record.msg, record.args = clean, None
        return True


class SayOrigin(logging.Filter):
    """``record.origin``: the request's id, its address, its door and who acts, as far as they are known."""

    def filter(self, record: logging.LogRecord) -> bool:
        now = origin.current()
        known = (
            ("request", now.request_id),
            ("from", now.address),
            ("door", now.door),
            ("by", now.who),
            ("job", now.job_id),
            ("attempt", now.attempt),
        )
        record.origin = (
            " ".join(f"{name}={str(value).replace(' ', '+')}" for name, value in known if value) or "-"
        )
        return True


def without_links(said: str) -> str:
    return _LINK.sub(r"\1...", said)


Entry = MutableMapping[str, Any]


def _told(_logger: Any, _name: str, entry: Entry) -> Mapping[str, Any]:
    """The entry in the order in which it is read: when, how grave, what; then where it came from, then its figures."""
    record: logging.LogRecord = entry.pop("_record")
    fault, stack = entry.pop("exc_info", None), entry.pop("stack_info", None)
    now = origin.current()
    told: dict[str, Any] = {
        "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
        "level": record.levelname.lower(),
        "logger": record.name,
        "event": entry.pop("event"),
        "request_id": now.request_id,
        "address": now.address,
        "door": now.door,
        "operator": now.operator,
        "operator_id": now.operator_id,
        "by": now.kind,
        "by_id": now.actor_id,
        "job_id": now.job_id,
        "attempt": now.attempt or None,
        **{name: entry[name] for name in FIELDS if name in entry},
        "exception": logging.Formatter().formatException(fault) if fault else None,
        "stack": stack,
    }
    return {name: _clean(value) for name, value in told.items() if value not in (None, "")}


def _clean(value: Any) -> Any:
    return value if isinstance(value, bool | int | float) else without_links(str(value))


def _as_json(_logger: Any, _name: str, entry: Mapping[str, Any]) -> str:
    """ASCII alone: whatever is quoted, no character in it ends the line."""
    return json.dumps(entry, separators=(",", ":"))


def json_lines() -> logging.Formatter:
    return ProcessorFormatter(foreign_pre_chain=[ExtraAdder(FIELDS)], processors=[_told, _as_json])


def configuration(form: str, level: str) -> dict[str, Any]:
    """For ``logging.config.dictConfig``: everything to standard error in one of ``FORMATS``, from ``level`` on."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "line": {
                "()": "config.logs.lines",
            },
            "json": {"()": "config.logs.json_lines"},
        },
        "filters": {"links": {"()": "config.logs.HideLinks"}, "origin": {"()": "config.logs.SayOrigin"}},
        "handlers": {
            "stderr": {"class": "logging.StreamHandler", "formatter": form, "filters": ["links", "origin"]}
        },
        "loggers": {
            # What was refused is told by config.observing, with who asked; so is each task with what became of it.
            "django.request": {"level": "ERROR"},
            "celery.app.trace": {"level": "CRITICAL"},
            "celery.worker.strategy": {"level": "WARNING"},
        },
        "root": {"handlers": ["stderr"], "level": level},
    }


def lines() -> logging.Formatter:
    """In UTC, as everything else that is written down."""
    formatter = logging.Formatter(
        "%(asctime)s.%(msecs)03dZ %(levelname)s %(name)s [%(origin)s] %(message)s", "%Y-%m-%dT%H:%M:%S"
    )
    formatter.converter = time.gmtime
    return formatter
