"""How far the worker is with a month's close or try-out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from accounts.jobs.kinds import CLOSE_MONTH, PREVIEW_MONTH
from accounts.queries import work

CLOSE, PREVIEW = CLOSE_MONTH, PREVIEW_MONTH


@dataclass(frozen=True, slots=True)
class MonthJob:
    """A close or try-out that was asked for, and how far it is."""

    month: date
    work: work.Shown

    @property
    def is_close(self) -> bool:
        return self.work.kind == CLOSE

    @property
    def is_going_on(self) -> bool:
        return self.work.is_going_on

    @property
    def is_unhappy(self) -> bool:
        return self.work.state in {"refused", "failed"}


def last(kind: str) -> MonthJob | None:
    """The close or try-out that was asked for last, inside an operator's scope; None if none is kept."""
    found = work.last_work(kind)
    return MonthJob(month_of(found.ref), found) if found else None


def ref_of(month: date) -> str:
    """What the work of a month is about."""
    return f"{month:%Y-%m}"


def month_of(ref: str) -> date:
    """The inverse of ``ref_of``."""
    return date.fromisoformat(f"{ref}-01")
