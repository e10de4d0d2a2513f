"""Random sets of events for a few units: every type, corrections of corrections, equal instants, clocks that are ahead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from hypothesis import strategies as st

from servicing.events.reading import PAYLOADS, read_payload, stored_payload
from servicing.events.types import BOWL_PRODUCTS, REPORT_KINDS, EventType, Subject
from servicing.log import NewEvent

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
# Some days apart, at once, a part of a second apart, and just not a whole second apart.
MOMENTS = [timedelta(days=day) for day in range(9)] + [
    timedelta(days=3, microseconds=1),
    timedelta(days=3, microseconds=999_999),
    timedelta(days=3, seconds=1),
    timedelta(days=4, seconds=59, microseconds=500_000),
]
UNIT_TYPES = tuple(kind for kind, cls in PAYLOADS.items() if Subject.UNIT in cls.SUBJECTS)
_USUAL = (
    *(EventType.UNIT_INSTALLED, EventType.CARTRIDGE_EXCHANGED, EventType.RESERVOIR_CLEANED) * 3,
    *(EventType.FAULT_FOUND, EventType.FAULT_CLOSED) * 2,
    *(EventType.WICK_CHECKED, EventType.WICK_CHANGED),
    EventType.UNIT_OPENED,
)


# How a unit comes into the log.
_FIRST = (EventType.UNIT_INSTALLED, EventType.UNIT_INSTALLED, EventType.UNIT_OPENED)


@dataclass
class Sketch:
    """One event before it has ids: numbers stand for the units, devices, stations and events of its set."""

    kind: EventType
    unit: int
    moment: timedelta
    device: int
    version: int
    corrects: int | None
    said: dict[str, Any] = field(default_factory=dict)
    is_ahead: bool = False


# The modes that other work ends, and one that only its own closing does; few, so that closings meet what they close.
_MODES = ("PLU", "NOO", "LOO", "ELU", "STD")
# All that may be found, also what other work says in passing.
_FOUND = (*_MODES, "HIO", "MIS", "TMP")
_VOLUME = st.sampled_from([0, 20, 40, 280, 300])
_MAYBE = st.one_of(st.none(), _VOLUME)
_FILLED = st.sampled_from([280, 500])
# Which station, cartridge, site or event of the set: counted round where there are fewer.
_NUMBER = st.integers(0, 39)

# What each type says.
_SHAPES: dict[EventType, dict[str, st.SearchStrategy[Any]]] = {
    EventType.ALERT_ACKNOWLEDGED: {
        "kind": st.sampled_from(["due", "dry_soon"]),
        "first_day": st.sampled_from(["2026-03-05", "2026-03-06"]),
    },
    EventType.CARTRIDGE_EXCHANGED: {
        "cartridge_id": _NUMBER,
        "charge_ml": _FILLED,
        "cartridge_left_ml": _MAYBE,
        "reservoir_before_ml": _MAYBE,
        "reservoir_after_ml": _MAYBE,
    },
    EventType.DOSE_SET: {"dose_ml_per_day": st.sampled_from(["8", "7.5", "0.125", "100", "12.340"])},
    EventType.EVENT_COUNTERED: {"reason": st.just("wrong_entry")},
    EventType.FAULT_CLOSED: {"mode": st.sampled_from(_MODES), "action": st.just("cleaned")},
    EventType.FAULT_FOUND: {"mode": st.sampled_from(_FOUND), "detection": st.just("report")},
    EventType.LEAK_STOPPED: {},
    EventType.LEVEL_READ: {"cartridge_left_ml": _VOLUME, "reservoir_ml": _VOLUME},
    EventType.OUTLET_CLEARED: {"drips_again": st.booleans()},
    EventType.REPORT_CLOSED: {"report_event_id": _NUMBER},
    EventType.REPORT_RECEIVED: {"kind": st.sampled_from(REPORT_KINDS)},
    EventType.RESERVOIR_CLEANED: {"wiped_out_ml": _MAYBE},
    EventType.UNIT_INSTALLED: {
        "station_id": _NUMBER,
        "cartridge_id": _NUMBER,
        "charge_ml": _FILLED,
        "wick": st.sampled_from(["new", "unknown"]),
    },
    EventType.UNIT_MOVED: {"station_id": _NUMBER},
    EventType.UNIT_OPENED: {
        "station_id": _NUMBER,
        "as_of": st.just("2026-03-02"),
        "installed_on": st.sampled_from([None, "2025-06-01"]),
        "last_exchange_on": st.sampled_from([None, "2026-02-02", "2026-02-25", "2026-03-02"]),
        "cartridge_id": _NUMBER,
        "charge_ml": st.one_of(st.none(), _FILLED),
        "left_ml": _MAYBE,
        "wick_fitted_on": st.sampled_from([None, "2025-12-01", "2026-03-02"]),
        "wick_condition": st.sampled_from([None, "good", "slow", "failed"]),
        "reservoir_cleaned_on": st.sampled_from([None, "2026-01-15"]),
        "dose_ml_per_day": st.sampled_from([None, "8"]),
    },
    EventType.UNIT_WITHDRAWN: {"reason": st.just("replaced")},
    EventType.WICK_CHANGED: {"reason": st.sampled_from(["age", "failed"])},
    EventType.WICK_CHECKED: {"condition": st.sampled_from(["good", "slow", "failed"])},
    EventType.WICK_WASHED: {},
    EventType.STANDSTILL_BEGAN: {
        "starts_on": st.sampled_from(["2026-03-03", "2026-03-06"]),
        "ends_on": st.sampled_from([None, "2026-03-07", "2026-03-20"]),
        "billing": st.sampled_from(["full", "half", "none"]),
    },
    EventType.STANDSTILL_ENDED: {"ended_on": st.sampled_from(["2026-03-04", "2026-03-08"])},
    EventType.VISIT_MADE: {"site_id": _NUMBER, "outcome": st.sampled_from(["served", "part_served"])},
    EventType.VISIT_NOT_ADMITTED: {"site_id": _NUMBER, "reason": st.just("closed")},
    EventType.VISIT_CALLED_OFF: {"site_id": _NUMBER, "reason": st.just("weather")},
    EventType.PLACEMENT_CHECKED: {
        "station_id": _NUMBER,
        "cartridge_id": _NUMBER,
        "rule": st.just("incompatible_liquids"),
        "rule_version": st.just(1),
        "outcome": st.just("meets"),
        "bowl_product": st.sampled_from(BOWL_PRODUCTS),
    },
    EventType.SPILL_LOGGED: {
        "volume_ml": st.just(5),
        "surface": st.just("floor"),
        "action": st.just("wiped_up"),
    },
}


@st.composite
def sketches(
    draw: st.DrawFn,
    *,
    units: int = 3,
    least: int = 1,
    most: int = 40,
    kinds: Sequence[EventType] = UNIT_TYPES,
) -> list[Sketch]:
    """A set of events; most units begin with an installation, so that not all is said of units that hang nowhere."""
    count = draw(st.integers(least, most))
    found = []
    for index in range(count):
        kind = draw(st.sampled_from([*kinds, *(one for one in _USUAL if one in kinds)]))
        moment = draw(st.sampled_from(MOMENTS))
        if index < units and EventType.UNIT_INSTALLED in kinds and draw(st.integers(0, 3)):
            kind, moment = draw(st.sampled_from(_FIRST)), timedelta()
        corrects = (
            draw(st.integers(0, count - 1))
            if kind is EventType.EVENT_COUNTERED or not draw(st.integers(0, 9))
            else None
        )
        found.append(
            Sketch(
                kind=kind,
                unit=index if index < units else draw(st.integers(0, units - 1)),
                moment=moment,
                device=draw(st.integers(0, 1)),
                version=PAYLOADS[kind].VERSION,
                corrects=None if corrects == index else corrects,
                said=draw(_said(kind)),
                is_ahead=draw(st.integers(0, 14)) == 0,
            )
        )
    return found


# What a crew may note of a unit in one touch.
_TOUCH = (
    *(EventType.WICK_CHECKED, EventType.RESERVOIR_CLEANED) * 3,
    *(EventType.LEVEL_READ, EventType.WICK_CHANGED, EventType.WICK_WASHED, EventType.FAULT_FOUND) * 2,
    *(EventType.LEAK_STOPPED, EventType.OUTLET_CLEARED, EventType.DOSE_SET, EventType.UNIT_WITHDRAWN),
)
# How long after the last a visit comes: a month, and what a slip of the pen makes of it.
_APART = [
    *[timedelta(days=30)] * 6,
    timedelta(days=30, microseconds=500_000),
    timedelta(),
    timedelta(microseconds=999_999),
    timedelta(seconds=1),
]


@st.composite
def rounds(draw: st.DrawFn, *, units: int = 2) -> list[Sketch]:
    """Months of visits to a few units, some events corrected: most visits exchange the cartridge, before or after the rest."""
    found: list[Sketch] = []
    for unit in range(units):
        moment = timedelta()
        kinds = [draw(st.sampled_from(_FIRST))]
        for _ in range(draw(st.integers(2, 12))):
            for kind in kinds:
                moment += timedelta(microseconds=draw(st.sampled_from([0, 1, 400_000])))
                found.append(Sketch(kind, unit, moment, draw(st.integers(0, 1)), 1, None, draw(_said(kind))))
            moment += draw(st.sampled_from(_APART))
            kinds = draw(st.lists(st.sampled_from(_TOUCH), max_size=3))
            if draw(st.integers(0, 5)):
                kinds.insert(draw(st.integers(0, len(kinds))), EventType.CARTRIDGE_EXCHANGED)
            if EventType.UNIT_WITHDRAWN in kinds or not draw(st.integers(0, 9)):
                kinds.append(EventType.UNIT_INSTALLED)
    for corrected in draw(st.lists(st.integers(0, len(found) - 1), max_size=2)):
        undone = found[corrected]
        said = draw(_said(EventType.EVENT_COUNTERED))
        moment = undone.moment + timedelta(days=1)
        found.append(Sketch(EventType.EVENT_COUNTERED, undone.unit, moment, 0, 1, corrected, said))
    return found


def _said(kind: EventType) -> st.SearchStrategy[dict[str, Any]]:
    said = st.fixed_dictionaries(_SHAPES[kind])
    return st.tuples(said, st.integers(0, 3)).map(_as_known) if kind is EventType.UNIT_OPENED else said


def _as_known(drawn: tuple[dict[str, Any], int]) -> dict[str, Any]:
    """An opening names its cartridge and what was in it, or neither; of some units nothing is known but the place."""
    said, chance = drawn
    if not chance:
        return {name: said[name] for name in ("station_id", "as_of")}
    return said if said["charge_ml"] is not None else {**said, "cartridge_id": None}


@dataclass(frozen=True)
class Names:
    """The ids that the numbers of a set stand for."""

    units: Sequence[UUID]
    devices: Sequence[UUID]
    stations: Sequence[UUID]
    cartridges: Sequence[UUID]
    events: Sequence[UUID]
    first_sequence: int = 1
    sites: Sequence[UUID] = ()


def spoken(sketch: Sketch, names: Names) -> dict[str, Any]:
    """The payload with ids for numbers, in its one JSON form."""
    named = {
        "station_id": names.stations,
        "cartridge_id": names.cartridges,
        "report_event_id": names.events,
        "site_id": names.sites,
    }
    plain = {
        name: str(named[name][value % len(named[name])]) if name in named and value is not None else value
        for name, value in sketch.said.items()
    }
    return stored_payload(read_payload(sketch.kind, sketch.version, plain))


def to_append(found: Sequence[Sketch], names: Names) -> list[NewEvent]:
    """The set as events ready to be appended."""
    return [
        NewEvent(
            event_id=names.events[index],
            device_id=names.devices[sketch.device],
            device_sequence=names.first_sequence + index,
            subject_kind="unit",
            subject_id=names.units[sketch.unit],
            type=sketch.kind.value,
            schema_version=sketch.version,
            occurred_at=START + sketch.moment,
            received_at=START + sketch.moment - timedelta(hours=1) * sketch.is_ahead,
            actor_kind="device",
            actor_id=names.devices[sketch.device],
            payload=spoken(sketch, names),
            corrects=None if sketch.corrects is None else names.events[sketch.corrects],
        )
        for index, sketch in enumerate(found)
    ]
