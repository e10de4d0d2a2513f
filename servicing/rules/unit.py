"""The fold of one unit: its effective events in canonical order, one after the other, into its history."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from servicing.events.types import EventType
from servicing.rules.dryness import Interval, consumed_ml
from servicing.rules.fold import FoldEvent

DOWN_MODES = {"PLU", "NOO", "MIS"}
KEPT_INTERVALS = 3


@dataclass(slots=True)
class UnitHistory:
    """What a unit's events say of it. Plain JSON values, so that two histories compare byte for byte.

    Instants are ISO 8601 in UTC; volumes mL; ``intervals`` holds the latest three mass balances between exchanges as
    [available, consumed or None when unread, seconds, empty on arrival].
    """

    station_id: str | None = None
    installed_at: str | None = None
    withdrawn_at: str | None = None
    ever_installed: bool = False
    cartridge_id: str | None = None
    charge_ml: int | None = None
    charged_at: str | None = None
    reservoir_after_ml: int = 0
    wiped_out_ml: int = 0
    last_exchange_at: str | None = None
    level_ml: int | None = None
    level_at: str | None = None
    left_at_exchange_ml: int | None = None
    intervals: list[list[Any]] = field(default_factory=list)
    set_dose_ml_per_day: str | None = None
    wick_since: str | None = None
    wick_condition: str | None = None
    wick_checked_at: str | None = None
    wick_washed_at: str | None = None
    reservoir_cleaned_at: str | None = None
    outlet_cleared_at: str | None = None
    open_faults: dict[str, str] = field(default_factory=dict)
    reports: dict[str, list[str]] = field(default_factory=dict)
    closed_before_received: list[str] = field(default_factory=list)
    acknowledged: dict[str, str] = field(default_factory=dict)
    findings: list[list[str]] = field(default_factory=list)
    last_key: list[Any] | None = None

    def to_json(self) -> dict[str, Any]:
        return {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> UnitHistory:
        return cls(**stored)

    @property
    def is_installed(self) -> bool:
        return self.installed_at is not None and self.withdrawn_at is None

    @property
    def status(self) -> str:
        """The unit's state after EN 13306: up, degraded, down; or withdrawn; or printed before it is installed."""
        if not self.is_installed:
            return "withdrawn" if self.ever_installed else "printed"
        if DOWN_MODES & self.open_faults.keys():
            return "down"
        return "degraded" if self.open_faults else "up"


def instant_text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def key_of(history: UnitHistory) -> tuple[datetime, UUID, int, UUID] | None:
    """The canonical key up to which a history is folded."""
    if history.last_key is None:
        return None
    at, device, sequence, event_id = history.last_key
    return (datetime.fromisoformat(at), UUID(device), sequence, UUID(event_id))


def fold_unit(
    events: Iterable[FoldEvent], start: UnitHistory | None = None, ahead: Iterable[FoldEvent] = ()
) -> UnitHistory:
    """The history after ``events``: effective, in canonical order, all after ``start``'s own last event.

    ``ahead`` are the events that wait because of their clock; each leaves a finding and nothing else.
    """
    history = start or UnitHistory()
    for event in events:
        if event.type is EventType.EVENT_COUNTERED:
            continue  # it acts through the standing of what it corrects
        if event.type in _ANYTIME:
            _ANYTIME[event.type](history, event)
        elif event.type is not EventType.UNIT_INSTALLED and not history.is_installed:
            code = "touched_after_withdrawal" if history.ever_installed else "serviced_before_installed"
            _find(history, event, code)
        else:
            _STEPS[event.type](history, event)
        history.last_key = [
            instant_text(event.occurred_at),
            str(event.device_id),
            event.device_sequence,
            str(event.event_id),
        ]
    found = {event_id for code, event_id, _ in history.findings if code == "clock_ahead"}
    for event in ahead:
        if str(event.event_id) not in found:  # a start that was read with it has it already
            _find(history, event, "clock_ahead")
    history.findings.sort(key=lambda finding: (finding[2], finding[1], finding[0]))
    return history


def _find(history: UnitHistory, event: FoldEvent, code: str) -> None:
    history.findings.append([code, str(event.event_id), instant_text(event.occurred_at)])


def _install(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    at = instant_text(event.occurred_at)
    if history.is_installed:
        _find(history, event, "installed_twice")
        history.station_id = str(payload.station_id)
        return
    kept = (history.reports, history.closed_before_received, history.acknowledged, history.findings)
    for f in dataclasses.fields(history):
        setattr(
            history, f.name, f.default if f.default_factory is dataclasses.MISSING else f.default_factory()
        )
    history.reports, history.closed_before_received, history.acknowledged, history.findings = kept
    history.ever_installed = True
    history.installed_at = at
    history.station_id = str(payload.station_id)
    history.wick_since = at if payload.wick == "new" else None
    _charge(history, payload.cartridge_id, payload.charge_ml, 0, at)


def _charge(history: UnitHistory, cartridge_id: UUID, charge_ml: int, reservoir_ml: int, at: str) -> None:
    history.cartridge_id = str(cartridge_id)
    history.charge_ml = charge_ml
    history.reservoir_after_ml = reservoir_ml
    history.charged_at = at
    history.level_ml = charge_ml + reservoir_ml
    history.level_at = at
    history.wiped_out_ml = 0


def _move(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.station_id = str(payload.station_id)


def _withdraw(history: UnitHistory, event: FoldEvent) -> None:
    history.withdrawn_at = instant_text(event.occurred_at)
    history.open_faults = {}


def _exchange(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    at = instant_text(event.occurred_at)
    _balance(history, event)
    history.left_at_exchange_ml = payload.cartridge_left_ml
    history.last_exchange_at = at
    _charge(history, payload.cartridge_id, payload.charge_ml, payload.reservoir_after_ml or 0, at)
    # A dry unit that is filled runs again; a plugged or leaking one does not by that alone.
    history.open_faults.pop("NOO", None)


def _balance(history: UnitHistory, event: FoldEvent) -> None:
    """The mass balance of the interval that this exchange ends."""
    payload: Any = event.payload
    if history.charge_ml is None or history.charged_at is None:
        return
    available = history.charge_ml + history.reservoir_after_ml
    left, before = payload.cartridge_left_ml, payload.reservoir_before_ml
    consumed: int | None = None
    if left is not None and before is not None:
        consumed = consumed_ml(
            history.charge_ml, history.reservoir_after_ml, left, before, wiped_out_ml=history.wiped_out_ml
        )
        if consumed < 0 or left > history.charge_ml:
            _find(history, event, "more_left_than_filled")
            consumed = None
    seconds = int((event.occurred_at - datetime.fromisoformat(history.charged_at)) / timedelta(seconds=1))
    if seconds > 0:
        history.intervals = [
            *history.intervals[-(KEPT_INTERVALS - 1) :],
            [available, consumed, seconds, left == 0 and before == 0],
        ]


def _level(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.level_ml = payload.cartridge_left_ml + payload.reservoir_ml
    history.level_at = instant_text(event.occurred_at)


def _check_wick(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.wick_condition = payload.condition
    history.wick_checked_at = instant_text(event.occurred_at)


def _wash_wick(history: UnitHistory, event: FoldEvent) -> None:
    history.wick_washed_at = instant_text(event.occurred_at)
    history.wick_condition = None


def _change_wick(history: UnitHistory, event: FoldEvent) -> None:
    history.wick_since = instant_text(event.occurred_at)
    history.wick_condition = None
    history.wick_washed_at = None
    # What the old wick let through says nothing of the new one.
    history.intervals = []
    history.open_faults.pop("LOO", None)


def _clean_reservoir(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    wiped = payload.wiped_out_ml or 0
    history.reservoir_cleaned_at = instant_text(event.occurred_at)
    history.wiped_out_ml += wiped
    if history.level_ml is not None:
        history.level_ml = max(0, history.level_ml - wiped)


def _set_dose(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.set_dose_ml_per_day = format(payload.dose_ml_per_day, "f")
    history.intervals = []


def _clear_outlet(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.outlet_cleared_at = instant_text(event.occurred_at)
    if payload.drips_again:
        history.open_faults.pop("PLU", None)


def _stop_leak(history: UnitHistory, event: FoldEvent) -> None:
    history.open_faults.pop("ELU", None)


def _find_fault(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.open_faults.setdefault(payload.mode, instant_text(event.occurred_at))


def _close_fault(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.open_faults.pop(payload.mode, None)


def _receive_report(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    if str(event.event_id) in history.closed_before_received:
        history.closed_before_received.remove(str(event.event_id))
    else:
        history.reports[str(event.event_id)] = [payload.kind, instant_text(event.occurred_at)]


def _close_report(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    if history.reports.pop(str(payload.report_event_id), None) is None:
        # Its clock ran behind: the report comes later in the order, and is closed when it does.
        history.closed_before_received.append(str(payload.report_event_id))


def _acknowledge(history: UnitHistory, event: FoldEvent) -> None:
    payload: Any = event.payload
    history.acknowledged[f"{payload.kind}/{payload.first_day}"] = instant_text(event.occurred_at)


Step = Callable[[UnitHistory, FoldEvent], None]

# The office's words about a unit, true whether it hangs or not.
_ANYTIME: dict[EventType, Step] = {
    EventType.ALERT_ACKNOWLEDGED: _acknowledge,
    EventType.REPORT_CLOSED: _close_report,
    EventType.REPORT_RECEIVED: _receive_report,
}

_STEPS: dict[EventType, Step] = {
    EventType.CARTRIDGE_EXCHANGED: _exchange,
    EventType.DOSE_SET: _set_dose,
    EventType.FAULT_CLOSED: _close_fault,
    EventType.FAULT_FOUND: _find_fault,
    EventType.LEAK_STOPPED: _stop_leak,
    EventType.LEVEL_READ: _level,
    EventType.OUTLET_CLEARED: _clear_outlet,
    EventType.RESERVOIR_CLEANED: _clean_reservoir,
    EventType.UNIT_INSTALLED: _install,
    EventType.UNIT_MOVED: _move,
    EventType.UNIT_WITHDRAWN: _withdraw,
    EventType.WICK_CHANGED: _change_wick,
    EventType.WICK_CHECKED: _check_wick,
    EventType.WICK_WASHED: _wash_wick,
}


def intervals_of(history: UnitHistory) -> list[Interval]:
    return [Interval(*interval) for interval in history.intervals]
