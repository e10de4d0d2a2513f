"""The log as others read it: after a position, by subject, and as known at a position."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from servicing import log
from servicing.events.types import EventType, Payload
from servicing.log import EventRow
from servicing.models import Event
from servicing.queries import folds
from servicing.queries.folds import fold_event
from servicing.rules.fold import FoldEvent, StandstillSpan, standings


@dataclass(frozen=True, slots=True)
class KnownEvent:
    """An event with its standing as known at a position: 'effective', 'superseded' (by which), or 'clock_ahead'."""

    position: int
    event_id: UUID
    device_id: UUID
    device_sequence: int
    subject_kind: str
    subject_id: UUID
    type: EventType
    occurred_at: datetime
    received_at: datetime
    corrects: UUID | None
    payload: Payload
    standing: str
    superseded_by: UUID | None
    visit_id: UUID | None
    actor_kind: str
    member_id: UUID | None

    @property
    def key(self) -> tuple[datetime, UUID, int, UUID]:
        return (self.occurred_at, self.device_id, self.device_sequence, self.event_id)


def head_position() -> int:
    """The operator's last position; 0 for an empty log."""
    return log.head_position()


def events_after(position: int, *, upto: int | None = None, limit: int | None = None) -> list[EventRow]:
    """The raw rows with a greater position, in position order, which is the order of commits."""
    return log.events_after(position, upto=upto, limit=limit)


def known_events(
    *,
    upto: int,
    after: int = 0,
    types: Collection[str] | None = None,
    subject_ids: Collection[UUID] | None = None,
    event_ids: Collection[UUID] | None = None,
    correcting: bool = False,
) -> list[KnownEvent]:
    """Events with after < position <= upto in canonical order, each with its standing as known at ``upto``.

    Filters add up; None is no filter, an empty one finds nothing. Standings are resolved over all corrections at or
    before ``upto``, whatever the filters. ``correcting``: only events that correct another.
    """
    if any(one is not None and not one for one in (types, subject_ids, event_ids)):
        return []
    corrections = log.events_correcting(upto=upto)
    if correcting:
        rows = [row for row in corrections if row.position > after]
    elif subject_ids is not None:
        rows = [row for row in log.events_of(subject_ids, upto=upto) if row.subject_id in subject_ids]
    elif event_ids is not None:
        rows = log.events_by_id(event_ids)
    elif types is not None:
        rows = log.events_of_types(types, after=after, upto=upto)
    else:
        rows = [row for page in log.pages_after(after, upto=upto) for row in page]
    chosen = [
        row
        for row in rows
        if after < row.position <= upto
        and (types is None or row.type in types)
        and (subject_ids is None or row.subject_id in subject_ids)
        and (event_ids is None or row.event_id in event_ids)
    ]
    return _with_standing(chosen, corrections)


def _with_standing(rows: list[EventRow], corrections: list[EventRow]) -> list[KnownEvent]:
    known = {row.event_id: fold_event(row) for row in rows}
    everything = {**{row.event_id: fold_event(row) for row in corrections}, **known}
    standing = standings(list(everything.values()))
    found = [
        _known(row, known[row.event_id], standing[row.event_id].word, standing[row.event_id].by)
        for row in rows
    ]
    return sorted(found, key=lambda event: event.key)


def _known(row: EventRow, event: FoldEvent, word: str, by: UUID | None) -> KnownEvent:
    return KnownEvent(
        position=row.position,
        event_id=row.event_id,
        device_id=row.device_id,
        device_sequence=row.device_sequence,
        subject_kind=row.subject_kind,
        subject_id=row.subject_id,
        type=event.type,
        occurred_at=row.occurred_at,
        received_at=row.received_at,
        corrects=row.corrects,
        payload=event.payload,
        standing=word,
        superseded_by=by,
        visit_id=row.visit_id,
        actor_kind=row.actor_kind,
        member_id=row.member_id,
    )


def unit_events(unit_id: UUID) -> list[KnownEvent]:
    """A unit's whole timeline in canonical order, superseded and waiting events included."""
    return known_events(upto=log.head_position(), subject_ids={unit_id})


def get_event(event_id: UUID) -> KnownEvent:
    """An event by id; NotFound for one that is absent or another operator's."""
    found = known_events(upto=log.head_position(), event_ids={event_id})
    if not found:
        raise NotFound(_("There is no event here with this id."))
    return found[0]


def stored_events() -> QuerySet[Event]:
    """The log as a queryset, for filters and keyset pages; never for writing."""
    return Event.objects.order_by("position")


def standstills_upto(
    position: int, site_ids: Collection[UUID] | None = None
) -> dict[UUID, list[StandstillSpan]]:
    """The standstills of sites as known at a position, in the order they were begun; None: of all sites with any."""
    if site_ids is None:
        site_ids = {
            row.subject_id for row in Event.objects.filter(subject_kind="site", position__lte=position)
        }
    return folds.standstills_upto(position, site_ids)


def canonical_content() -> list[tuple[bytes, datetime]]:
    """Each event's content hash and received time in canonical order: what the digest of a world is made of."""
    rows = Event.objects.order_by("occurred_at", "device_id", "device_sequence", "event_id")
    return [(bytes(digest), at) for digest, at in rows.values_list("content_hash", "received_at")]
