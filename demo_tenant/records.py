"""What leaves the invented world: events as crews and the office write them down, and uploads as phones send them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Record:
    """One event as written down at ``made_at``; ``occurred_at`` is what it says of itself."""

    id: UUID
    type: str
    subject_kind: str
    subject_id: UUID
    occurred_at: datetime
    made_at: datetime
    payload: dict[str, Any]
    crew: int | None = None
    member_id: UUID | None = None
    visit_id: UUID | None = None
    touch_id: UUID | None = None
    corrects: UUID | None = None

    def envelope(self, device_sequence: int | None = None) -> dict[str, Any]:
        """The JSON object of an upload; a form leaves the device sequence to the server."""
        fields = {
            "id": str(self.id),
            "device_sequence": device_sequence,
            "type": self.type,
            "schema_version": 1,
            "subject": {"kind": self.subject_kind, "id": str(self.subject_id)},
            "occurred_at": self.occurred_at.isoformat(timespec="seconds"),
            "member": _text(self.member_id),
            "visit": _text(self.visit_id),
            "touch": _text(self.touch_id),
            "corrects": _text(self.corrects),
            "payload": self.payload,
        }
        return {name: value for name, value in fields.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Upload:
    """One request of a phone: records with their device sequences, in the order sent."""

    received_at: datetime
    device_id: UUID
    lines: tuple[tuple[int, Record], ...]

    @property
    def events(self) -> list[dict[str, Any]]:
        return [record.envelope(sequence) for sequence, record in self.lines]


@dataclass(frozen=True, slots=True)
class OfficeAction:
    """Something a member with ``role`` enters in a form at ``at``: an event, or a counter-event by its ``corrects``."""

    at: datetime
    role: str
    record: Record

    @property
    def draft(self) -> dict[str, Any]:
        return self.record.envelope()


@dataclass(frozen=True, slots=True)
class Ending:
    """Notice given at ``at``: the agreement's first day without service is ``ends_on``."""

    at: datetime
    agreement_id: UUID
    ends_on: date


def _text(value: UUID | None) -> str | None:
    return None if value is None else str(value)
