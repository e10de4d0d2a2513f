"""How far the worker is with a month's close or preview.

The transaction that closes a month shows nothing of itself until it commits. What PostgreSQL shows of every session at
once is the name that it gives itself: the progress stands there, and is gone with a worker that dies.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.db import connection

from accounts import jobs
from accounts.tenancy import current_operator_id

CLOSE = "billing.tasks.close_month"
PREVIEW = "billing.tasks.preview_month"
_WORDS = {CLOSE: "close", PREVIEW: "preview"}


@dataclass(frozen=True, slots=True)
class MonthJob:
    """A close or preview that was owed. ``done`` of ``of`` parts; ``of`` 0 until it is known.

    ``state``: waiting for the worker, running, ended, refused (``said`` is why), or failed for good.
    """

    kind: str
    month: date
    state: str
    done: int = 0
    of: int = 0
    said: str = ""

    @property
    def is_going_on(self) -> bool:
        return self.state in {"waiting", "running"}


def last(kind: str) -> MonthJob | None:
    """The close or preview that was owed last, inside an operator's scope; None if none was in the last days."""
    job = jobs.last_owed(kind)
    if job is None:
        return None
    month = date.fromisoformat(job.ref.split(" ")[0])
    if job.done_at is not None:
        return MonthJob(kind, month, "refused" if job.last_error else "ended", said=job.last_error)
    running = _running(kind, current_operator_id(), month)
    if running is not None:
        return MonthJob(kind, month, "running", *running)
    if job.attempts >= jobs.MOST_ATTEMPTS:
        return MonthJob(kind, month, "failed")
    return MonthJob(kind, month, "waiting")


def tell_progress(kind: str, operator_id: UUID, month: date, done: int, of: int) -> None:
    """Show so much of a month's close or preview as done, in the name of this session."""
    _name_session(f"{_prefix(kind, operator_id, month)} {done}/{of}")


def forget_progress() -> None:
    _name_session("")


def _running(kind: str, operator_id: UUID, month: date) -> tuple[int, int] | None:
    prefix = _prefix(kind, operator_id, month)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT application_name FROM pg_stat_activity WHERE starts_with(application_name, %s) LIMIT 1",
            [prefix],
        )
        row = cursor.fetchone()
    if row is None:
        return None
    done, of = row[0].removeprefix(prefix).split("/")
    return int(done), int(of)


def _prefix(kind: str, operator_id: UUID, month: date) -> str:
    # A session's name has at most 63 bytes.
    return f"{_WORDS[kind]} {operator_id.hex} {month:%Y-%m}"


def _name_session(name: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('application_name', %s, false)", [name])
