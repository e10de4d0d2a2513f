"""A unit's events in sentences: who said so by which device, what came late, what was undone or put right, with photos."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Any
from uuid import UUID

from accounts import clock
from accounts import queries as accounts
from accounts.languages import _
from accounts.permissions import Actor, Permission
from servicing.events.types import EventType
from servicing.pages.correcting import may_correct
from servicing.pages.looking_back import names_of
from servicing.pages.wording import sentence, told
from servicing.queries import events as log
from servicing.queries import personal
from servicing.queries.events import KnownEvent
from servicing.queries.personal import KnownText
from servicing.queries.photos import PhotoView, photos_of_unit

# From event ids to where each one's charges stand; given by whoever puts the page at its address.
BilledOn = Callable[[Collection[UUID]], dict[UUID, list[Any]]]


@dataclass(frozen=True, slots=True)
class TimelineEntry:
    """One event. ``replaces`` is the entry that it puts right; ``photos`` belong to this very event."""

    event: KnownEvent
    says: str
    told: str
    is_late: bool
    superseded_by: KnownEvent | None
    replaces: KnownEvent | None
    billed: list[Any]
    may_undo: bool
    may_correct: bool
    photos: list[PhotoView]


@dataclass(slots=True)
class Moment:
    """What one visit did to the unit, or one entry outside a visit; ``photos`` of the visit, of no event of it."""

    at: datetime
    who: str
    entries: list[TimelineEntry]
    visit_id: UUID | None
    photos: list[PhotoView] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Timeline:
    """The newest first; ``photos`` that belong to none of the moments."""

    moments: list[Moment]
    photos: list[PhotoView]


@dataclass(frozen=True, slots=True)
class _Told:
    """What is looked up once for all entries."""

    zone: str
    by_id: dict[UUID, KnownEvent]
    names: Any
    texts: dict[UUID, KnownText]
    billed: dict[UUID, list[Any]]
    photos: dict[UUID, list[PhotoView]]
    may_undo: bool


def timeline(actor: Actor, unit_id: UUID, zone: str, billed_on: BilledOn) -> Timeline:
    """A unit's events, those of one visit by one person together. Asked inside the scope."""
    events = log.unit_events(unit_id)
    ids = [event.event_id for event in events]
    photos = photos_of_unit(unit_id)
    known = _Told(
        zone=zone,
        by_id={event.event_id: event for event in events},
        names=names_of(events),
        texts=_texts(events) if actor.may(Permission.TEXTS_READ) else {},
        billed=billed_on(ids) if actor.may(Permission.INVOICES_READ) else {},
        photos=_by(photos, lambda one: one.event_id),
        may_undo=actor.may(Permission.EVENTS_COUNTER),
    )
    moments = _moments(events, known)
    return Timeline(moments, _hang(moments, [one for one in photos if one.event_id not in known.by_id]))


def _moments(events: list[KnownEvent], known: _Told) -> list[Moment]:
    members = {member.id: member.name for member in accounts.members()}
    devices = {device.id: device.label for device in accounts.devices()}

    def occasion(event: KnownEvent) -> tuple[UUID, UUID | None, UUID]:
        return (event.visit_id or event.event_id, event.member_id, event.device_id)

    moments = []
    for (_visit, member_id, device_id), group in groupby(reversed(events), key=occasion):
        entries = [_entry(event, known) for event in group]
        label = devices.get(device_id, "")
        who = [members.get(member_id, "") if member_id else "", _("office") if label == "office" else label]
        last = entries[-1].event
        moments.append(Moment(last.occurred_at, ", ".join(filter(None, who)), entries, last.visit_id))
    return moments


def _entry(event: KnownEvent, known: _Told) -> TimelineEntry:
    is_put_right = event.corrects is not None and event.type is not EventType.EVENT_COUNTERED
    received = clock.local_date(event.received_at, known.zone)
    return TimelineEntry(
        event=event,
        says=sentence(event.type, event.payload, known.names),
        told=told(known.texts.get(event.event_id), known.zone),
        is_late=received > clock.local_date(event.occurred_at, known.zone),
        superseded_by=known.by_id.get(event.superseded_by) if event.superseded_by else None,
        replaces=known.by_id.get(event.corrects) if is_put_right and event.corrects else None,
        billed=known.billed.get(event.event_id, []),
        may_undo=known.may_undo and event.standing != "superseded",
        may_correct=known.may_undo and may_correct(event),
        photos=known.photos.get(event.event_id, []),
    )


def _hang(moments: list[Moment], photos: list[PhotoView]) -> list[PhotoView]:
    """Put photos to the moments of their visits; gives those that are left."""
    by_visit = _by(photos, lambda one: one.visit_id)
    for moment in moments:
        if moment.visit_id is not None:
            moment.photos = by_visit.pop(moment.visit_id, [])
    hung = {one.id for moment in moments for one in moment.photos}
    return [one for one in photos if one.id not in hung]


def _by(photos: list[PhotoView], key: Callable[[PhotoView], UUID | None]) -> dict[UUID, list[PhotoView]]:
    found: dict[UUID, list[PhotoView]] = {}
    for one in photos:
        if (named := key(one)) is not None:
            found.setdefault(named, []).append(one)
    return found


def _texts(events: list[KnownEvent]) -> dict[UUID, KnownText]:
    """By event, what somebody said with it."""
    named = {
        event.event_id: text_id for event in events if (text_id := getattr(event.payload, "text_id", None))
    }
    found = personal.texts(set(named.values()))
    return {event_id: found[text_id] for event_id, text_id in named.items()}
