"""The rules at work on events that no database holds: for whoever judges forecasts against a world whose truth is known."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from servicing.events.reading import load_payload, upcast
from servicing.events.types import EventType
from servicing.rules.fold import AHEAD_TOLERANCE, FoldEvent, standings
from servicing.rules.unit import Line, UnitHistory, fold_lines, instant_text


@dataclass(frozen=True, slots=True)
class Heard:
    """One event as the server first received it; ``payload`` as sent, in version 1."""

    event_id: UUID
    device_id: UUID
    device_sequence: int
    type: str
    subject_id: UUID
    occurred_at: datetime
    received_at: datetime
    payload: dict[str, Any]
    corrects: UUID | None = None
    touch_id: UUID | None = None

    @property
    def is_ahead(self) -> bool:
        """Its clock says so much more than the server's that it waits."""
        return self.occurred_at > self.received_at + AHEAD_TOLERANCE


def line_of(one: Heard) -> Line:
    """The event as the fold of a unit takes it."""
    kind = EventType(one.type)
    said = upcast(kind, 1, one.payload)
    return (
        one.type,
        instant_text(one.occurred_at),
        str(one.device_id),
        one.device_sequence,
        str(one.event_id),
        said,
    )


def fallen(heard: Collection[Heard]) -> set[UUID]:
    """The events among ``heard`` that fall to a correction among ``heard``."""
    corrected = {one.corrects for one in heard if one.corrects is not None}
    if not corrected:
        return set()
    events = [_event(one) for one in heard if one.corrects is not None or one.event_id in corrected]
    return {event_id for event_id, standing in standings(events).items() if standing.word == "superseded"}


def _event(one: Heard) -> FoldEvent:
    return FoldEvent(
        event_id=one.event_id,
        device_id=one.device_id,
        device_sequence=one.device_sequence,
        type=EventType(one.type),
        subject_kind="unit",
        subject_id=one.subject_id,
        occurred_at=one.occurred_at,
        received_at=one.received_at,
        payload=load_payload(one.type, 1, one.payload),
        corrects=one.corrects,
    )


def fold_heard(heard: Sequence[Heard], start: UnitHistory | None = None) -> UnitHistory:
    """The history of one unit after these events, corrections among them resolved, in canonical order.

    ``start`` (changed in place) has to end before the first of them, and none of them may correct what it holds.
    """
    gone = fallen(heard)
    lines = [line_of(one) for one in heard if one.event_id not in gone and not one.is_ahead]
    return fold_lines(sorted(lines, key=lambda line: line[1:5]), start)
