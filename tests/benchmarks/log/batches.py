"""Events as crews' phones send them, ready to be appended, and the same rows for COPY and for Django's bulk_create."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID, uuid4

import orjson

from accounts.commands import operators
from accounts.ids import uuid7
from servicing.log import NewEvent, content_hash

STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
UNITS = 400

# In the order of the table's columns, position and recorded_at included.
COPY_COLUMNS = (
    "operator_id, position, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version, "
    "occurred_at, received_at, recorded_at, actor_kind, actor_id, member_id, visit_id, touch_id, corrects, payload, "
    "content_hash"
)


def new_operator(slug: str) -> UUID:
    """An operator with nothing but its name: the log asks for no more."""
    tag = f"{slug}-{uuid7().hex[-10:]}"
    return operators.create_operator(
        slug=tag, name=tag, legal_name=tag, currency="EUR", zone="Europe/Berlin"
    ).id


@dataclass
class Phone:
    """One device and what it sends: visits with an exchange, a wick check and a level for each unit it touches.

    Units and cartridge are made up unless given: the log does not ask for them, the folds do.
    """

    seed: int = 0
    device_id: UUID = field(default_factory=uuid7)
    units: list[UUID] = field(default_factory=list)
    cartridge_id: str = ""
    random_ids: bool = False
    sequence: Any = field(default_factory=lambda: count(1))

    def __post_init__(self) -> None:
        draw = random.Random(self.seed)
        self.units = self.units or [UUID(int=draw.getrandbits(128), version=4) for _ in range(UNITS)]
        self.cartridge_id = self.cartridge_id or str(UUID(int=draw.getrandbits(128), version=4))
        self.member_id = UUID(int=draw.getrandbits(128), version=4)
        self.visit_id = uuid7()

    def events(self, number: int) -> list[NewEvent]:
        return [self._event() for _ in range(number)]

    def _event(self) -> NewEvent:
        sequence = next(self.sequence)
        unit = sequence // 3
        if sequence % 30 == 1:
            self.visit_id = uuid7()
        if sequence % 3 == 1:
            self.touch_id = uuid7()
        at = STARTED + timedelta(minutes=unit, seconds=sequence % 3)
        kind, payload = self._what(sequence % 3)
        return NewEvent(
            event_id=uuid4() if self.random_ids else uuid7(at),
            device_id=self.device_id,
            device_sequence=sequence,
            subject_kind="unit",
            subject_id=self.units[unit % len(self.units)],
            type=kind,
            schema_version=1,
            occurred_at=at,
            received_at=at + timedelta(hours=3),
            actor_kind="device",
            actor_id=self.device_id,
            payload=payload,
            member_id=self.member_id,
            visit_id=self.visit_id,
            touch_id=self.touch_id,
        )

    def _what(self, which: int) -> tuple[str, dict[str, Any]]:
        if which == 1:
            return "cartridge.exchanged", {
                "cartridge_id": self.cartridge_id,
                "charge_ml": 280,
                "cartridge_left_ml": 40,
                "reservoir_before_ml": 20,
                "reservoir_after_ml": 20,
            }
        if which == 2:
            return "wick.checked", {"condition": "good"}
        return "level.read", {"cartridge_left_ml": 280, "reservoir_ml": 20}


def copy_text(operator_id: UUID, events: Sequence[NewEvent], *, positions: Any) -> bytes:
    """The rows as COPY's text, each with a position of its own."""
    return "".join(
        "\t".join(
            "\\N" if value is None else str(value)
            for value in (
                operator_id,
                next(positions),
                e.event_id,
                e.device_id,
                e.device_sequence,
                e.subject_kind,
                e.subject_id,
                e.type,
                e.schema_version,
                e.occurred_at,
                e.received_at,
                e.received_at,
                e.actor_kind,
                e.actor_id,
                e.member_id,
                e.visit_id,
                e.touch_id,
                e.corrects,
                orjson.dumps(e.payload).decode().replace("\\", "\\\\"),
                "\\\\x" + content_hash(e, from_office=False).hex(),
            )
        )
        + "\n"
        for e in events
    ).encode()
