"""Short ways to write events for the pure folds."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from servicing.events.reading import read_payload
from servicing.events.types import EventType
from servicing.rules.fold import FoldEvent

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
UNIT = UUID(int=1)
STATION, OTHER_STATION = UUID(int=11), UUID(int=12)
CARTRIDGE = UUID(int=21)
DEVICE = UUID(int=31)

_ids = itertools.count(1_000)


def event(
    kind: str,
    day: float = 0,
    /,
    *,
    corrects: FoldEvent | None = None,
    received_day: float | None = None,
    event_id: UUID | None = None,
    subject_kind: str = "unit",
    visit_id: UUID | None = None,
    **payload: object,
) -> FoldEvent:
    """An event of the unit on a day after START, received at once unless said otherwise."""
    number = next(_ids)
    at = START + timedelta(days=day)
    return FoldEvent(
        event_id=event_id or UUID(int=number),
        device_id=DEVICE,
        device_sequence=number,
        type=EventType(kind),
        subject_kind=subject_kind,
        subject_id=UNIT,
        occurred_at=at,
        received_at=at if received_day is None else START + timedelta(days=received_day),
        payload=read_payload(EventType(kind), 1, payload),
        corrects=corrects.event_id if corrects else None,
        visit_id=visit_id,
    )


def installed(day: float = 0, station: UUID = STATION, wick: str = "new") -> FoldEvent:
    return event(
        "unit.installed", day, station_id=str(station), cartridge_id=str(CARTRIDGE), charge_ml=280, wick=wick
    )


def exchanged(
    day: float, left: int | None = 40, before: int | None = 20, after: int | None = 20, **rest
) -> FoldEvent:
    return event(
        "cartridge.exchanged",
        day,
        cartridge_id=str(CARTRIDGE),
        charge_ml=280,
        cartridge_left_ml=left,
        reservoir_before_ml=before,
        reservoir_after_ml=after,
        **rest,
    )


def countered(target: FoldEvent, day: float, **rest: Any) -> FoldEvent:
    return event("event.countered", day, corrects=target, reason="wrong_entry", **rest)
