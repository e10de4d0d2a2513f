"""A month's close tried out: the same code as the close, undone, and only its figures kept."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

import accounts.queries
from accounts import clock, tenancy
from accounts.permissions import Actor, Permission, require
from billing.commands import closing
from billing.models import PeriodClose, Preview
from billing.queries import checking, previews
from billing.queries.wording import in_operators_words
from billing.rules.previews import changes
from billing.rules.rating import month_after


def preview_month(
    *, actor: Actor, month: date, progress: Callable[[int, int], None] | None = None
) -> Preview:
    """What closing ``month`` (its first day) would give now: sums, documents, what is held, and what changed since.

    Everything that the close writes is rolled back; numbers stay undrawn. A month that is not over is previewed as if it
    ended with what the log says by now. Refused as the close is for a month that is closed or not the next one. What
    would be held never refuses it: it is named in the summary.
    """
    require(actor, Permission.INVOICES_ISSUE)
    with tenancy.writing(actor):
        return preview_in_scope(actor=actor, month=month, progress=progress)


def preview_in_scope(
    *, actor: Actor, month: date, progress: Callable[[int, int], None] | None = None
) -> Preview:
    """``preview_month`` in a transaction that is open already."""

    def close() -> PeriodClose:
        return closing.close_in_scope(actor=actor, month=month, leave_held=True, progress=progress)

    return kept(actor, month, close)


def kept(actor: Actor, month: date, close: Callable[[], PeriodClose]) -> Preview:
    """What a close of the month gives, undone, and only its figures kept; in the open transaction."""
    before = previews.last_preview(month)
    summary = _closed_and_undone(month, close)
    summary["since"] = _since(before, summary)
    return Preview.objects.create(
        month=month,
        cut_position=summary["cut_position"],
        made_at=clock.now(),
        made_by=actor.id,
        summary=summary,
    )


def _closed_and_undone(month: date, make: Callable[[], PeriodClose]) -> dict[str, Any]:
    with transaction.atomic():
        with at_its_end(month):
            close = make()
        summary = previews.summary_of(close)
        with in_operators_words():
            summary["checks"] = [one.to_json() for one in checking.by_documents(close.month)]
        transaction.set_rollback(True)
    return summary


def at_its_end(month: date) -> AbstractContextManager[None]:
    """Inside it is now, or the moment the month ends in the operator's zone if that is still to come."""
    zone = ZoneInfo(accounts.queries.get_operator().zone)
    return clock.playing(max(clock.now(), datetime.combine(month_after(month), time(), zone)))


def _since(before: Preview | None, summary: dict[str, Any]) -> dict[str, Any] | None:
    if before is None:
        return None
    return {
        "preview": str(before.id),
        "made_at": before.made_at.isoformat(),
        "cut_position": before.cut_position,
        **changes(before.summary, summary),
    }
