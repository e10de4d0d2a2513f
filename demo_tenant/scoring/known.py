"""What an operator knows of its units on a day: the events received by then, folded."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from uuid import UUID

from demo_tenant.story import Story
from servicing.queries.rehearsal import Heard, UnitHistory, WickLine, fold_heard, wick_line

NEVER = datetime.max.replace(tzinfo=UTC)


def heard_of(story: Story) -> dict[UUID, list[Heard]]:
    """Each unit's events as the server first received them, in order of receipt."""
    heard: dict[UUID, Heard] = {}
    for upload in story.uploads:
        for sequence, record in upload.lines:
            if record.subject_kind == "unit" and record.id not in heard:
                heard[record.id] = Heard(
                    record.id,
                    upload.device_id,
                    sequence,
                    record.type,
                    record.subject_id,
                    record.occurred_at,
                    upload.received_at,
                    record.payload,
                    record.corrects,
                    record.touch_id,
                )
    for sequence, action in enumerate(story.office, start=1):
        record = action.record
        if record.subject_kind == "unit":
            heard[record.id] = Heard(
                record.id,
                story.master.office_device_id,
                sequence,
                record.type,
                record.subject_id,
                record.occurred_at,
                action.at,
                record.payload,
                record.corrects,
            )
    by_unit: dict[UUID, list[Heard]] = defaultdict(list)
    for one in sorted(heard.values(), key=lambda one: one.received_at):
        by_unit[one.subject_id].append(one)
    return dict(by_unit)


class Knowledge:
    """One unit's history, brought forward from day to day as its events are received."""

    __slots__ = ("_heard", "_history", "_taken")

    def __init__(self, heard: list[Heard]) -> None:
        self._heard = heard
        self._taken = 0
        self._history = UnitHistory()

    def upto(self, at: datetime) -> UnitHistory:
        """The history from everything received before ``at``; the next call changes it in place."""
        first = self._taken
        while self._taken < len(self._heard) and self._heard[self._taken].received_at < at:
            self._taken += 1
        new = self._heard[first : self._taken]
        if new:
            known = self._heard[: self._taken]
            if self._follows(new) and not any(one.corrects for one in known):
                fold_heard(new, self._history)
            else:
                self._history = fold_heard(known)
        return self._history

    def _follows(self, new: list[Heard]) -> bool:
        """Whether all of them come after what is folded, by a moment at least: ties go the long way."""
        last = self._history.last_key
        if last is None:
            return True
        return min(one.occurred_at for one in new) > datetime.fromisoformat(last[0])


class WickLore:
    """What all units' events tell of wicks, in the order in which fits take it, as known on a day."""

    def __init__(self, heard: dict[UUID, list[Heard]]) -> None:
        """``heard`` as ``heard_of`` gives it."""
        self._told: list[tuple[datetime, datetime, WickLine]] = []
        for own in heard.values():
            fallen_at = {one.corrects: one.received_at for one in own if one.corrects is not None}
            for one in sorted(own, key=lambda one: (one.occurred_at, one.device_sequence)):
                line = wick_line(one)
                if line is not None and one.corrects is None and not one.is_ahead:
                    self._told.append((one.received_at, fallen_at.get(one.event_id, NEVER), line))

    def upto(self, at: datetime) -> Iterator[WickLine]:
        """The lines received before ``at`` that nothing received before it corrects."""
        return (line for received_at, fallen_at, line in self._told if received_at < at <= fallen_at)
