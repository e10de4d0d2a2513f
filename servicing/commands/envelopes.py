"""What is sent around a payload, read field by field: an event to append, or everything that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from accounts.errors import Problem, pointer_to
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission
from servicing.events.fields import id_of
from servicing.events.reading import PAYLOADS, UPCASTERS, BadPayload, read_payload, stored_payload
from servicing.events.types import EventType, Payload, Subject, UnitOpened
from servicing.log import NewEvent
from servicing.rules import opening

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


_KINDS = {str(kind): kind for kind in EventType}
_SUBJECTS = {kind: [str(one) for one in cls.SUBJECTS] for kind, cls in PAYLOADS.items()}


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


@dataclass(frozen=True, slots=True)
class ReadyEvent:
    """An event that says nothing wrong by itself; ``payload`` is its dataclass in the newest version."""

    event: NewEvent
    payload: Payload


def read_event(actor: Actor, device_id: UUID, sent: Any, received_at: datetime) -> ReadyEvent | Fate:
    """One sent event as one to append, or its refusal for what it says by itself."""
    if not isinstance(sent, dict):
        return Fate(None, "refused", code="unreadable", detail=_("An event is a JSON object."))
    problems = [
        Problem(pointer_to(name), "unknown-field", _("An event has no such field."))
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
    stored, payload = values.payload(kind, version)
    if kind is EventType.EVENT_COUNTERED and corrects is None and "corrects" not in values.wrong:
        problems.append(Problem("/corrects", "missing", _("A counter-event names the event that it undoes.")))
    if isinstance(payload, UnitOpened):
        problems += _wrong_of_opening(actor, payload, occurred_at)
    if corrects is not None and corrects == event_id:
        problems.append(Problem("/corrects", "itself", _("An event can't correct itself.")))
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
    event = NewEvent(
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
        payload=stored,
    )
    return ReadyEvent(event, payload)


def _wrong_of_opening(actor: Actor, payload: UnitOpened, occurred_at: datetime | None) -> list[Problem]:
    """How things stood when the operator began is the office's to say, and on one day."""
    if actor.kind is ActorKind.DEVICE or not actor.may(Permission.FLEET_MANAGE):
        return [
            Problem(
                "/type",
                "office-only",
                _("Only the office says how a unit stood when the operator began here."),
            )
        ]
    if occurred_at is None or opening.is_its_day(payload.as_of, occurred_at):
        return []
    return [
        Problem(
            "/payload/as_of",
            "another-day",
            _("Expected: the date of occurred_at, as the unit's site has it."),
        )
    ]


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
                self._bad(name, "missing", _("This field is needed."))
            return None
        try:
            return id_of(value)
        except (AttributeError, TypeError, ValueError):
            self._bad(name, "unreadable", _("Expected: a UUID in a string."))
            return None

    def event_type(self) -> EventType | None:
        try:
            return _KINDS[self.sent.get("type")]  # type: ignore[index]
        except (KeyError, TypeError):
            self._bad("type", "unknown-type", _("There is no event type of this name."))
            return None

    def version(self, kind: EventType | None) -> int:
        version = self.sent.get("schema_version", 1)
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            self._bad("schema_version", "unreadable", _("Expected: a whole number from 1."))
            return 0
        if kind is None:
            return 0
        newest = PAYLOADS[kind].VERSION
        if version > newest or any((kind, old) not in UPCASTERS for old in range(version, newest)):
            self._bad(
                "schema_version",
                "unknown-version",
                _("{kind} is known up to version {newest}.", kind=kind, newest=newest),
            )
            return 0
        return version

    def subject(self, kind: EventType | None) -> tuple[str, UUID | None]:
        subject = self.sent.get("subject")
        if not isinstance(subject, dict) or set(subject) != {"kind", "id"}:
            self._bad("subject", "unreadable", _('Expected: an object with "kind" and "id".'))
            return "", None
        allowed = _SUBJECTS[kind] if kind else [str(one) for one in Subject]
        if subject["kind"] not in allowed:
            self._bad("subject/kind", "wrong-subject", _("Expected: {words}.", words=", ".join(allowed)))
        try:
            return str(subject["kind"]), id_of(subject["id"])
        except (AttributeError, TypeError, ValueError):
            self._bad("subject/id", "unreadable", _("Expected: a UUID in a string."))
            return "", None

    def instant(self, name: str) -> datetime | None:
        value = self.sent.get(name)
        try:
            instant = datetime.fromisoformat(value)  # type: ignore[arg-type]
            if instant.utcoffset() is None:
                self._bad(
                    name,
                    "no-offset",
                    _("Give the time with its offset from UTC, such as 2026-11-24T09:30:00+01:00."),
                )
                return None
            return instant.astimezone(UTC)
        except (TypeError, ValueError, OverflowError):
            self._bad(name, "unreadable", _("Expected: a time by ISO 8601 with its offset from UTC."))
            return None

    def sequence(self, *, from_phone: bool) -> int | None:
        value = self.sent.get("device_sequence")
        if not from_phone:
            if value is not None:
                self._bad(
                    "device_sequence", "not-yours", _("Only a phone numbers its events; leave this out.")
                )
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value < 2**62:
            self._bad(
                "device_sequence",
                "unreadable",
                _("Expected: a whole number from 1, one more for each event of the phone."),
            )
            return None
        return value

    def payload(self, kind: EventType | None, version: int) -> tuple[dict[str, Any], Payload | None]:
        """The payload as it is stored, and as its dataclass in the newest version."""
        payload = self.sent.get("payload", {})
        if not isinstance(payload, dict):
            self._bad("payload", "unreadable", _("Expected: a JSON object."))
            return {}, None
        if kind is None or version == 0:
            return {}, None
        try:
            read = read_payload(kind, version, payload)
        except BadPayload as bad:
            self.problems += bad.problems
            return {}, None
        if version == PAYLOADS[kind].VERSION:
            return stored_payload(read), read
        # An older phone's words are stored as it said them, so that saying them again later is the same event.
        return {name: value for name, value in payload.items() if value is not None}, read
