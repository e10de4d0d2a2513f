"""The upload: what crews' phones and programs send, event by event, each with its own answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import OperationalError
from psycopg import errors as postgres

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import Busy, Problem, TooLarge, pointer_to
from accounts.permissions import Actor, ActorKind, Permission, require
from fleet import queries as fleet
from servicing import log
from servicing.events.reading import (
    PAYLOADS,
    UPCASTERS,
    BadPayload,
    load_payload,
    read_payload,
    stored_payload,
)
from servicing.events.types import EventType, Subject
from servicing.log import NewEvent
from servicing.projections.folding import catch_up
from servicing.rules.fold import FoldEvent

MOST_EVENTS = 500
SLICE = 100

ENVELOPE = {
    "id",
    "device_sequence",
    "type",
    "schema_version",
    "subject",
    "occurred_at",
    "member",
    "visit",
    "touch",
    "corrects",
    "payload",
}
REASONS = {
    "sequence-taken": "This device sequence is already used by another event of this device.",
    "other-content": "An event with this id and other content is stored already; the stored one stays.",
    "unknown-subject": "There is no such unit or site here.",
}


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of one event of an upload, in the order sent.

    ``fate``: accepted or duplicate (with its position), conflict, refused; the last two with a code and a sentence.
    """

    id: str | None
    fate: str
    position: int | None = None
    code: str = ""
    detail: str = ""
    errors: tuple[Problem, ...] = field(default=())


def upload_events(*, actor: Actor, events: Sequence[Any]) -> list[Fate]:
    """Append an upload of up to 500 events and answer for each. One bad event never sinks its batch.

    Each transaction takes at most 100 events. Raises Busy when one waits too long for its turn: the slices before it
    stay, and sending the whole upload again is safe. Raises TooLarge for more than 500 events.
    """
    require(actor, Permission.EVENTS_RECORD)
    if len(events) > MOST_EVENTS:
        raise TooLarge(
            f"Send at most {MOST_EVENTS} events at a time; these were {len(events)}. Nothing was stored."
        )
    received_at = clock.now()
    device_id = _device_of(actor)
    fates: list[Fate] = []
    for start in range(0, len(events), SLICE):
        fates += _upload_slice(actor, device_id, events[start : start + SLICE], received_at, start)
    return fates


def _device_of(actor: Actor) -> UUID:
    if actor.kind is ActorKind.DEVICE and actor.id is not None:
        return actor.id
    with tenancy.reading(actor):
        return accounts.office_device_id()


def _upload_slice(
    actor: Actor, device_id: UUID, events: Sequence[Any], received_at: datetime, start: int
) -> list[Fate]:
    read = [_read(actor, device_id, event, received_at) for event in events]
    fates: dict[int, Fate] = {index: one for index, one in enumerate(read) if isinstance(one, Fate)}
    ready = {index: one for index, one in enumerate(read) if isinstance(one, NewEvent)}
    try:
        with tenancy.writing(actor):
            unknown = _unknown_subjects(ready)
            fates |= {index: _refused(ready[index], "unknown-subject") for index in unknown}
            kept = [index for index in ready if index not in unknown]
            appended = log.append([ready[index] for index in kept])
            if any(one.fate == "accepted" for one in appended):
                catch_up(_fresh([ready[index] for index in kept], appended))
    except OperationalError as wait:
        if isinstance(wait.__cause__, postgres.LockNotAvailable):
            raise Busy(
                f"The first {start} events were taken. Another upload of this operator is being stored; "
                "send the whole upload again in a moment.",
                retry_after_seconds=2,
            ) from wait
        raise
    fates |= {index: _fate_of(one) for index, one in zip(kept, appended, strict=True)}
    return [fates[index] for index in range(len(events))]


def _fresh(events: Sequence[NewEvent], appended: Sequence[log.Appended]) -> dict[int, FoldEvent] | None:
    """The events that were appended just now, by position, as the folds see them.

    None for the office's: their sequences were drawn by the log, and are read there.
    """
    if any(event.device_sequence is None for event in events):
        return None
    return {
        one.position: FoldEvent(
            event_id=event.event_id,
            device_id=event.device_id,
            device_sequence=event.device_sequence or 0,
            type=EventType(event.type),
            subject_kind=event.subject_kind,
            subject_id=event.subject_id,
            occurred_at=event.occurred_at,
            received_at=event.received_at,
            payload=load_payload(event.type, event.schema_version, event.payload),
            corrects=event.corrects,
            visit_id=event.visit_id,
        )
        for event, one in zip(events, appended, strict=True)
        if one.fate == "accepted" and one.position is not None
    }


def _fate_of(appended: log.Appended) -> Fate:
    event_id = str(appended.event_id)
    if appended.fate == "sequence_taken":
        return Fate(event_id, "refused", code="sequence-taken", detail=REASONS["sequence-taken"])
    if appended.fate == "conflict":
        return Fate(event_id, "conflict", code="other-content", detail=REASONS["other-content"])
    return Fate(event_id, appended.fate, appended.position)


def _refused(event: NewEvent, code: str) -> Fate:
    return Fate(str(event.event_id), "refused", code=code, detail=REASONS[code])


def _unknown_subjects(ready: dict[int, NewEvent]) -> set[int]:
    """Events for a subject, or naming a row, that this operator does not have. Absent and foreign look the same."""
    units = {e.subject_id for e in ready.values() if e.subject_kind == Subject.UNIT}
    sites = {e.subject_id for e in ready.values() if e.subject_kind == Subject.SITE} | _named(
        ready, "site_id"
    )
    stations, crews = _named(ready, "station_id"), _named(ready, "crew_id")
    cartridges = _named(ready, "cartridge_id")
    members = {e.member_id for e in ready.values() if e.member_id}
    known: set[UUID] = set()
    for wanted, look_up in (
        (units, fleet.known_unit_ids),
        (sites, accounts.known_site_ids),
        (stations, lambda ids: set(fleet.stations(ids))),
        (crews, accounts.known_crew_ids),
        (cartridges, lambda ids: set(fleet.nominal_doses(ids))),
        (members, accounts.known_member_ids),
    ):
        known |= look_up(wanted) if wanted else set()
    return {index for index, event in ready.items() if not _references(event) <= known}


def _references(event: NewEvent) -> set[UUID]:
    found = {UUID(event.payload[name]) for name in REFERENCES if name in event.payload}
    if event.subject_kind != Subject.VISIT:
        found.add(event.subject_id)
    if event.member_id:
        found.add(event.member_id)
    return found


REFERENCES = ("site_id", "station_id", "crew_id", "cartridge_id")


def _named(ready: dict[int, NewEvent], name: str) -> set[UUID]:
    return {UUID(event.payload[name]) for event in ready.values() if name in event.payload}


def _read(actor: Actor, device_id: UUID, sent: Any, received_at: datetime) -> NewEvent | Fate:
    """One sent event as one to append, or its refusal for what it says by itself."""
    if not isinstance(sent, dict):
        return Fate(None, "refused", code="unreadable", detail="An event is a JSON object.")
    problems = [
        Problem(pointer_to(name), "unknown-field", "An event has no such field.")
        for name in sent
        if name not in ENVELOPE
    ]
    values = _Envelope(sent, problems)
    event_id = values.uuid("id", needed=True)
    kind = values.event_type()
    version = values.version(kind)
    subject_kind, subject_id = values.subject(kind)
    occurred_at = values.instant("occurred_at")
    corrects = values.uuid("corrects")
    member, visit, touch = values.uuid("member"), values.uuid("visit"), values.uuid("touch")
    sequence = values.sequence(from_phone=actor.kind is ActorKind.DEVICE)
    payload = values.payload(kind, version)
    if kind is EventType.EVENT_COUNTERED and corrects is None and "corrects" not in values.wrong:
        problems.append(Problem("/corrects", "missing", "A counter-event names the event that it undoes."))
    if corrects is not None and corrects == event_id:
        problems.append(Problem("/corrects", "itself", "An event can't correct itself."))
    if problems:
        return Fate(
            str(sent.get("id")) if isinstance(sent.get("id"), str) else None,
            "refused",
            code=problems[0].code,
            detail="; ".join(f"{p.pointer} {p.detail}" for p in problems[:5]),
            errors=tuple(problems),
        )
    assert event_id is not None, "no problem means all is read"
    assert kind is not None
    assert subject_id is not None
    assert occurred_at is not None
    assert payload is not None
    return NewEvent(
        event_id=event_id,
        device_id=device_id,
        device_sequence=sequence,
        subject_kind=subject_kind,
        subject_id=subject_id,
        type=str(kind),
        schema_version=version,
        occurred_at=occurred_at,
        received_at=received_at,
        actor_kind=str(actor.kind),
        actor_id=actor.id,
        member_id=member,
        visit_id=visit,
        touch_id=touch,
        corrects=corrects,
        payload=payload,
    )


class _Envelope:
    """Reads the fields around a payload, noting every problem instead of stopping at the first."""

    def __init__(self, sent: dict[str, Any], problems: list[Problem]) -> None:
        self.sent, self.problems = sent, problems
        self.wrong: set[str] = set()

    def _bad(self, name: str, code: str, detail: str) -> None:
        self.wrong.add(name)
        self.problems.append(Problem(f"/{name}", code, detail))

    def uuid(self, name: str, *, needed: bool = False) -> UUID | None:
        value = self.sent.get(name)
        if value is None:
            if needed:
                self._bad(name, "missing", "This field is needed.")
            return None
        try:
            return UUID(value)
        except (AttributeError, TypeError, ValueError):
            self._bad(name, "unreadable", "Expected: a UUID in a string.")
            return None

    def event_type(self) -> EventType | None:
        try:
            return EventType(self.sent.get("type"))  # type: ignore[arg-type]
        except ValueError:
            self._bad("type", "unknown-type", "There is no event type of this name.")
            return None

    def version(self, kind: EventType | None) -> int:
        version = self.sent.get("schema_version", 1)
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            self._bad("schema_version", "unreadable", "Expected: a whole number from 1.")
            return 0
        if kind is None:
            return 0
        newest = PAYLOADS[kind].VERSION
        if version > newest or any((kind, old) not in UPCASTERS for old in range(version, newest)):
            self._bad("schema_version", "unknown-version", f"{kind} is known up to version {newest}.")
            return 0
        return version

    def subject(self, kind: EventType | None) -> tuple[str, UUID | None]:
        subject = self.sent.get("subject")
        if not isinstance(subject, dict) or set(subject) != {"kind", "id"}:
            self._bad("subject", "unreadable", 'Expected: an object with "kind" and "id".')
            return "", None
        allowed = [str(one) for one in PAYLOADS[kind].SUBJECTS] if kind else [str(one) for one in Subject]
        if subject["kind"] not in allowed:
            self._bad("subject/kind", "wrong-subject", "Expected: " + " or ".join(allowed) + ".")
        try:
            return str(subject["kind"]), UUID(subject["id"])
        except (AttributeError, TypeError, ValueError):
            self._bad("subject/id", "unreadable", "Expected: a UUID in a string.")
            return "", None

    def instant(self, name: str) -> datetime | None:
        value = self.sent.get(name)
        try:
            instant = datetime.fromisoformat(value)  # type: ignore[arg-type]
            if instant.utcoffset() is None:
                self._bad(
                    name,
                    "no-offset",
                    "Give the time with its offset from UTC, such as 2026-11-24T09:30:00+01:00.",
                )
                return None
            return instant.astimezone(UTC)
        except (TypeError, ValueError, OverflowError):
            self._bad(name, "unreadable", "Expected: a time by ISO 8601 with its offset from UTC.")
            return None

    def sequence(self, *, from_phone: bool) -> int | None:
        value = self.sent.get("device_sequence")
        if not from_phone:
            if value is not None:
                self._bad("device_sequence", "not-yours", "Only a phone numbers its events; leave this out.")
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value < 2**62:
            self._bad(
                "device_sequence",
                "unreadable",
                "Expected: a whole number from 1, one more for each event of the phone.",
            )
            return None
        return value

    def payload(self, kind: EventType | None, version: int) -> dict[str, Any] | None:
        payload = self.sent.get("payload", {})
        if not isinstance(payload, dict):
            self._bad("payload", "unreadable", "Expected: a JSON object.")
            return None
        if kind is None or version == 0:
            return None
        try:
            read = read_payload(kind, version, payload)
        except BadPayload as bad:
            self.problems += bad.problems
            return None
        if version == PAYLOADS[kind].VERSION:
            return stored_payload(read)
        # An older phone's words are stored as it said them, so that saying them again later is the same event.
        return {name: value for name, value in payload.items() if value is not None}
