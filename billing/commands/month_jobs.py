"""The close and the try-out of a month as long work, for operators whose month takes longer than a page may.

The position of the log is fixed at first, then part after part is rated and put aside. Nothing of it is a close: that is
the last chunk, which stores everything at once, after it has seen that what the parts were rated from is as it was.
"""

from __future__ import annotations

import time
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from accounts import tenancy
from accounts.jobs import long
from accounts.jobs.long import Step
from accounts.permissions import Actor, Permission, require
from billing.commands import closing, numbering, previewing
from billing.models import PeriodClose
from billing.projections import adding, unread
from billing.projections.shelving import Shelf
from billing.projections.spooling import paused_collection
from billing.queries import month_jobs

CLOSE = month_jobs.CLOSE
PREVIEW = month_jobs.PREVIEW
# So long a chunk rates part after part; what it did is stored then.
CHUNK_SECONDS = 5
# So often parts are looked at again since something that they read was changed; then the last chunk does it itself.
MOST_ROUNDS = 3


def owe_close(*, actor: Actor, month: date, leave_held: bool = False) -> long.LongWork:
    """Owe the close of a month to the worker; one that is owed already is not owed twice, and is returned.

    What the close itself would refuse it says when it runs: ``month_jobs.last`` tells it.
    """
    return _owe(actor, CLOSE, month, {"leave_held": leave_held})


def owe_preview(*, actor: Actor, month: date) -> long.LongWork:
    """Owe the try-out of a month to the worker; one that is owed already is not owed twice, and is returned."""
    return _owe(actor, PREVIEW, month, {})


def _owe(actor: Actor, kind: str, month: date, asked: dict[str, Any]) -> long.LongWork:
    require(actor, Permission.INVOICES_ISSUE)
    closing.refuse_odd(month)
    with tenancy.writing(actor):
        return long.begin(kind=kind, ref=month_jobs.ref_of(month), asked=asked, actor=actor)


def run_close(operator_id: UUID, job_id: UUID, *, seconds: int = long.SECONDS) -> bool:
    """A message's share of a close: see ``long.run``."""
    return long.run(operator_id, job_id, chunk=_Share(is_preview=False).chunk, seconds=seconds)


def run_preview(operator_id: UUID, job_id: UUID, *, seconds: int = long.SECONDS) -> bool:
    """A message's share of a try-out: see ``long.run``."""
    return long.run(operator_id, job_id, chunk=_Share(is_preview=True).chunk, seconds=seconds)


@dataclass(slots=True)
class _Share:
    """The chunks that one message does: the plan is made once, and anew by whoever goes on.

    The work's cursor: ``cut``, the position of the log; ``seen``, the number of the audit's last entry before anything was
    read; ``rated``, how many parts are put aside and hold as of ``seen``; ``round``, how often ``seen`` was moved.
    """

    is_preview: bool
    shelf: Shelf | None = None

    def chunk(self, actor: Actor, work: long.LongWork) -> Step:
        month = month_jobs.month_of(work.ref)
        with paused_collection():
            if not work.cursor:
                return self._begin(work, month)
            shelf = self._shelf(work, month, work.cursor["cut"])
            if work.cursor["rated"] < len(shelf.plan.parts):
                return self._rate(work, shelf)
            return self._store(actor, work, month)

    def _shelf(self, work: long.LongWork, month: date, cut: int | None) -> Shelf:
        if self.shelf is None:
            with previewing.at_its_end(month) if self.is_preview else nullcontext():
                begun = closing.begun(month, cut)
            self.shelf = Shelf(work, adding.planned(begun))
        return self.shelf

    def _begin(self, work: long.LongWork, month: date) -> Step:
        long.telling(work)(0, 0)
        seen = unread.last_number()
        shelf = self._shelf(work, month, None)
        cut = shelf.plan.closing.cut
        return _at_part(shelf, {"cut": cut, "seen": seen, "rated": 0, "round": 0})

    def _rate(self, work: long.LongWork, shelf: Shelf) -> Step:
        until = time.monotonic() + CHUNK_SECONDS
        tell = long.telling(work)
        cursor = dict(work.cursor)
        parts = shelf.plan.parts
        for part in parts[cursor["rated"] :]:
            # In a first round nothing is there yet.
            if not (cursor["round"] and shelf.holds(part)):
                shelf.rate(part)
            cursor["rated"] += 1
            tell(cursor["rated"], 2 * len(parts))
            if time.monotonic() >= until:
                break
        return _at_part(shelf, cursor)

    def _store(self, actor: Actor, work: long.LongWork, month: date) -> Step:
        """Store it all, unless something was changed that the parts were rated from: then these are looked at again."""
        # Prices and contracts are changed under this lock too, so what is seen now holds until the end.
        numbering.locked_series()
        cursor = work.cursor
        seen = unread.last_number()
        is_changed = unread.is_changed_since(cursor["seen"])
        if is_changed:
            self.shelf = None
        shelf = self._shelf(work, month, cursor["cut"])
        if is_changed or not shelf.is_whole():
            if cursor["round"] < MOST_ROUNDS:
                return _at_part(shelf, cursor | {"seen": seen, "rated": 0, "round": cursor["round"] + 1})
            for part in shelf.plan.parts:
                if not shelf.holds(part):
                    shelf.rate(part)
        tell, steps = long.telling(work), 2 * len(shelf.plan.parts)
        tell(steps // 2, steps)
        total = shelf.total()

        def close() -> PeriodClose:
            leave_held = self.is_preview or work.asked["leave_held"]
            return closing.stored(actor, total, leave_held=leave_held, progress=tell)

        row = previewing.kept(actor, month, close) if self.is_preview else close()
        return Step(steps, steps, is_last=True, result={"id": str(row.id)}, phase="storing")


def _at_part(shelf: Shelf, cursor: dict[str, Any]) -> Step:
    count = len(shelf.plan.parts)
    phase = "rating" if cursor["rated"] < count else "storing"
    return Step(cursor["rated"], 2 * count, cursor=cursor, phase=phase)
