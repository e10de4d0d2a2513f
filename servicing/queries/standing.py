"""Stored events with their standing, for a page of them at a time."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from accounts.errors import NotFound
from accounts.languages import _
from servicing import log
from servicing.events.reading import PAYLOADS, upcast
from servicing.events.types import EventType
from servicing.log import EventRow
from servicing.models import Event
from servicing.queries.events import stored_events
from servicing.queries.folds import fold_event
from servicing.rules.fold import Standing, standings


@dataclass(frozen=True, slots=True)
class StandingEvent:
    """A stored event, its payload in the newest version, and whether it counts."""

    row: Event
    schema_version: int
    payload: dict[str, Any]
    standing: str
    superseded_by: UUID | None


def get_standing_event(event_id: UUID) -> StandingEvent:
    """An event by id; NotFound for one that is absent or another operator's."""
    row = stored_events().filter(event_id=event_id).first()
    if row is None:
        raise NotFound(_("There is no event here with this id."))
    return with_standing([row])[0]


def with_standing(rows: Collection[Event]) -> list[StandingEvent]:
    """Rows with their standing as of now, in the order given."""
    found = standings_of([row.event_id for row in rows])
    shown = []
    for row in rows:
        kind, standing = EventType(row.type), found[row.event_id]
        payload = upcast(kind, row.schema_version, row.payload)
        shown.append(StandingEvent(row, PAYLOADS[kind].VERSION, payload, standing.word, standing.by))
    return shown


def standings_of(event_ids: Collection[UUID]) -> dict[UUID, Standing]:
    """The standing of each of these events.

    It hangs on what an event corrects, on the others that correct the same, and on what corrects those in turn.
    """
    known: dict[UUID, EventRow] = {}
    wanted: set[UUID] = set(event_ids)
    asked: set[UUID] = set()
    while wanted:
        rows = log.events_by_id(list(wanted))
        asked |= wanted
        known |= {row.event_id: row for row in rows}
        wanted = {row.corrects for row in rows if row.corrects is not None} - asked
    corrections = log.correcting(list(known), known=set(known))
    found = standings([fold_event(row) for row in (*known.values(), *corrections)])
    return {event_id: found[event_id] for event_id in event_ids}
