"""What an operator knows of its units on a day: the events received by then, folded."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from demo_tenant.masterdata import MasterData
from demo_tenant.story import Story
from servicing.queries.rehearsal import Heard, UnitHistory, fold_heard


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


@dataclass(frozen=True, slots=True)
class Place:
    """What is on file of the station a unit hangs at."""

    site_kind: str
    fixture: str


def places_of(master: MasterData) -> dict[str, Place]:
    """Each station's place by its id's text, as histories name it."""
    return {
        str(station.id): Place(site.kind, station.fixture)
        for site in master.sites
        for station in (*site.stations, *site.spare_stations)
    }
