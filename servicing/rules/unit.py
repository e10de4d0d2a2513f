"""The fold of one unit: its effective events in canonical order, one after the other, into its history."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter, itemgetter
from typing import Any
from uuid import UUID

from servicing.events.reading import stored_payload
from servicing.events.types import EventType
from servicing.rules import balance
from servicing.rules.balance import epoch_s, marked
from servicing.rules.fold import FoldEvent

DOWN_MODES = {"PLU", "NOO", "MIS"}
KEPT_WICKS = 6
_INSTALLED, _COUNTERED = EventType.UNIT_INSTALLED.value, EventType.EVENT_COUNTERED.value


@dataclass(slots=True)
class UnitHistory:
    """What a unit's events say of it. Plain JSON values, so that two histories compare byte for byte.

    Instants are ISO 8601 in UTC, names that end in ``_s`` epoch seconds; volumes mL. ``intervals`` holds the latest mass
    balances between charges, oldest first, their items as ``balance.FIELDS`` names them; ``marks`` and ``is_cleaned``
    (the reservoir) tell of the time since the last charge. ``wick_good_s`` is when the wick was last seen not failed
    (fitting it new counts), ``wick_failed_s`` when it was first seen failed after that; washing takes the failure back.
    ``wick_lives`` holds the latest wicks that ended (changed, or withdrawn with the unit) and whose beginning is known, as
    [fitted, good, failed or None, ended] in epoch seconds; they stay when the unit comes back.
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
    is_cleaned: bool = False
    marks: str = ""
    last_exchange_at: str | None = None
    level_ml: int | None = None
    level_at: str | None = None
    left_at_exchange_ml: int | None = None
    intervals: list[list[Any]] = field(default_factory=list)
    set_dose_ml_per_day: str | None = None
    wick_since: str | None = None
    wick_condition: str | None = None
    wick_checked_at: str | None = None
    wick_good_s: int | None = None
    wick_failed_s: int | None = None
    wick_lives: list[list[Any]] = field(default_factory=list)
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
        return dict(zip(_NAMES, _ITEMS(self), strict=True))

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> UnitHistory:
        # One of an older release has fewer items.
        history = cls(*_VALUES(stored)) if len(stored) == len(_NAMES) else cls(**stored)
        # Until the rebuild after a release a history may hold balances of an older shape, which say less.
        if history.intervals and len(history.intervals[0]) != len(balance.FIELDS):
            history.intervals = []
        return history

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


# By place a history is read far sooner than by name, which jsonb gives in an order of its own.
_NAMES = [one.name for one in dataclasses.fields(UnitHistory)]
_VALUES, _ITEMS = itemgetter(*_NAMES), attrgetter(*_NAMES)


def instant_text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def key_of(history: UnitHistory) -> tuple[datetime, UUID, int, UUID] | None:
    """The canonical key up to which a history is folded."""
    if history.last_key is None:
        return None
    at, device, sequence, event_id = history.last_key
    return (datetime.fromisoformat(at), UUID(device), sequence, UUID(event_id))


# One effective event as the steps take it: type, occurred_at as ``instant_text`` gives it, device, its sequence, event id,
# and the payload in its JSON form and newest version. Plain values: a rebuild folds millions.
Line = tuple[str, str, str, int, str, dict[str, Any]]


def line_of(event: FoldEvent) -> Line:
    said = stored_payload(event.payload) if event.said is None else event.said
    return (
        event.type.value,
        instant_text(event.occurred_at),
        str(event.device_id),
        event.device_sequence,
        str(event.event_id),
        said,
    )


def fold_unit(
    events: Iterable[FoldEvent], start: UnitHistory | None = None, ahead: Iterable[FoldEvent] = ()
) -> UnitHistory:
    """The history after ``events``: effective, in canonical order, all after ``start``'s own last event.

    ``ahead`` are the events that wait because of their clock; each leaves a finding and nothing else.
    """
    return fold_lines(
        map(line_of, events), start, [(str(e.event_id), instant_text(e.occurred_at)) for e in ahead]
    )


def fold_lines(
    lines: Iterable[Line], start: UnitHistory | None = None, ahead: Collection[tuple[str, str]] = ()
) -> UnitHistory:
    """What ``fold_unit`` does, of plain values; of ``ahead`` event id and time, read only after ``lines`` have ended."""
    history = start or UnitHistory()
    last: Line | None = None
    for line in lines:
        kind, at, _, _, event_id, said = line
        if step := _STEPS.get(kind):
            if history.is_installed or kind == _INSTALLED:
                step(history, at, event_id, said)
            else:
                code = "touched_after_withdrawal" if history.ever_installed else "serviced_before_installed"
                history.findings.append([code, event_id, at])
        elif step := _ANYTIME.get(kind):
            step(history, at, event_id, said)
        elif kind == _COUNTERED:
            continue  # it acts through the standing of what it corrects
        else:
            raise KeyError(f"{kind} has no step in the fold of a unit.")
        last = line
    if last is not None:
        history.last_key = [*last[1:5]]
    if ahead:
        found = {event_id for code, event_id, _ in history.findings if code == "clock_ahead"}
        # A start that was read with it has it already.
        history.findings += [["clock_ahead", event_id, at] for event_id, at in ahead if event_id not in found]
    history.findings.sort(key=lambda finding: (finding[2], finding[1], finding[0]))
    return history


Said = dict[str, Any]

# What of a unit outlives its withdrawal.
_KEPT = ("reports", "closed_before_received", "acknowledged", "findings", "wick_lives")


def _install(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if history.is_installed:
        history.findings.append(["installed_twice", event_id, at])
        history.station_id = said["station_id"]
        return
    kept = {name: getattr(history, name) for name in _KEPT}
    for f in dataclasses.fields(history):
        setattr(
            history, f.name, f.default if f.default_factory is dataclasses.MISSING else f.default_factory()
        )
    for name, value in kept.items():
        setattr(history, name, value)
    history.ever_installed = True
    history.installed_at = at
    history.station_id = said["station_id"]
    if said["wick"] == "new":
        history.wick_since, history.wick_good_s = at, epoch_s(at)
    _charge(history, said["cartridge_id"], said["charge_ml"], 0, at)


def _charge(history: UnitHistory, cartridge_id: str, charge_ml: int, reservoir_ml: int, at: str) -> None:
    history.cartridge_id = cartridge_id
    history.charge_ml = charge_ml
    history.reservoir_after_ml = reservoir_ml
    history.charged_at = at
    history.level_ml = charge_ml + reservoir_ml
    history.level_at = at
    history.wiped_out_ml, history.is_cleaned, history.marks = 0, False, ""


def _move(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.station_id = said["station_id"]


def _withdraw(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.withdrawn_at = at
    _end_wick(history, at)
    history.open_faults = {}


def _exchange(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    _balance(history, at, event_id, said)
    history.left_at_exchange_ml = said.get("cartridge_left_ml")
    history.last_exchange_at = at
    _charge(history, said["cartridge_id"], said["charge_ml"], said.get("reservoir_after_ml") or 0, at)
    # A dry unit that is filled runs again; a plugged or leaking one does not by that alone.
    history.open_faults.pop("NOO", None)


def _balance(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    """The mass balance of the interval that this exchange ends."""
    if history.charge_ml is None or history.charged_at is None:
        return
    left, before = said.get("cartridge_left_ml"), said.get("reservoir_before_ml")
    filled = (history.charge_ml, history.reservoir_after_ml)
    _compare_levels(history, at, event_id, left, before)
    if balance.is_more_than_filled(*filled, left, before, history.wiped_out_ml):
        history.findings.append(["more_left_than_filled", event_id, at])
        left = before = None
    seconds = balance.seconds_between(history.charged_at, at)
    if seconds > 0:
        read = [epoch_s(at), seconds, sum(filled), left, before, history.wiped_out_ml, history.marks]
        history.intervals = [*history.intervals[-(balance.KEPT_INTERVALS - 1) :], read]


def _compare_levels(
    history: UnitHistory, at: str, event_id: str, left_ml: int | None, reservoir_ml: int | None
) -> None:
    # Where it was wiped since the last charge, it may have been read after that.
    if not history.is_cleaned and balance.is_dry_while_fed(left_ml, reservoir_ml):
        history.findings.append(["level_contradicts", event_id, at])


def _level(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.level_ml = said["cartridge_left_ml"] + said["reservoir_ml"]
    history.level_at = at
    _compare_levels(history, at, event_id, said["cartridge_left_ml"], said["reservoir_ml"])


def _check_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.wick_condition = said["condition"]
    history.wick_checked_at = at
    if said["condition"] != "failed":
        history.wick_good_s, history.wick_failed_s = epoch_s(at), None
        return
    history.marks = marked(history.marks, "w")
    if history.wick_failed_s is None:
        history.wick_failed_s = epoch_s(at)


def _wash_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.wick_washed_at = at
    history.wick_condition = None
    history.wick_failed_s = None


def _change_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if said["reason"] == "failed" and history.wick_failed_s is None:
        history.wick_failed_s = epoch_s(at)
    _end_wick(history, at)
    history.wick_since, history.wick_good_s, history.wick_failed_s = at, epoch_s(at), None
    history.wick_condition = None
    history.wick_washed_at = None
    history.marks = marked(history.marks, "w")
    history.open_faults.pop("LOO", None)


def _end_wick(history: UnitHistory, at: str) -> None:
    """The wick that was in until now joins the lives, if its beginning is known; none lives less than a second."""
    if history.wick_since is None or epoch_s(history.wick_since) >= epoch_s(at):
        return
    life = [epoch_s(history.wick_since), history.wick_good_s, history.wick_failed_s, epoch_s(at)]
    history.wick_lives = [*history.wick_lives[-(KEPT_WICKS - 1) :], life]


def _clean_reservoir(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    wiped = said.get("wiped_out_ml") or 0
    history.reservoir_cleaned_at = at
    history.wiped_out_ml += wiped
    history.is_cleaned = True
    if history.level_ml is not None:
        history.level_ml = max(0, history.level_ml - wiped)


def _set_dose(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.set_dose_ml_per_day = said["dose_ml_per_day"]
    # What it dripped at another setting says nothing of this one.
    history.intervals = []
    history.marks = marked(history.marks, "d")


def _clear_outlet(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.outlet_cleared_at = at
    history.marks = marked(history.marks, "o")
    if said["drips_again"]:
        history.open_faults.pop("PLU", None)


def _stop_leak(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.marks = marked(history.marks, "l")
    history.open_faults.pop("ELU", None)


def _find_fault(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.marks = marked(history.marks, balance.FAULT_MARKS.get(said["mode"], ""))
    history.open_faults.setdefault(said["mode"], at)


def _close_fault(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.open_faults.pop(said["mode"], None)


def _receive_report(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if event_id in history.closed_before_received:
        history.closed_before_received.remove(event_id)
    else:
        history.reports[event_id] = [said["kind"], at]


def _close_report(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if history.reports.pop(said["report_event_id"], None) is None:
        # Its clock ran behind: the report comes later in the order, and is closed when it does.
        history.closed_before_received.append(said["report_event_id"])


def _acknowledge(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.acknowledged[f"{said['kind']}/{said['first_day']}"] = at


Step = Callable[[UnitHistory, str, str, Said], None]

# The office's words about a unit, true whether it hangs or not.
_ANYTIME: dict[str, Step] = {
    EventType.ALERT_ACKNOWLEDGED.value: _acknowledge,
    EventType.REPORT_CLOSED.value: _close_report,
    EventType.REPORT_RECEIVED.value: _receive_report,
}

_STEPS: dict[str, Step] = {
    EventType.CARTRIDGE_EXCHANGED.value: _exchange,
    EventType.DOSE_SET.value: _set_dose,
    EventType.FAULT_CLOSED.value: _close_fault,
    EventType.FAULT_FOUND.value: _find_fault,
    EventType.LEAK_STOPPED.value: _stop_leak,
    EventType.LEVEL_READ.value: _level,
    EventType.OUTLET_CLEARED.value: _clear_outlet,
    EventType.RESERVOIR_CLEANED.value: _clean_reservoir,
    EventType.UNIT_INSTALLED.value: _install,
    EventType.UNIT_MOVED.value: _move,
    EventType.UNIT_WITHDRAWN.value: _withdraw,
    EventType.WICK_CHANGED.value: _change_wick,
    EventType.WICK_CHECKED.value: _check_wick,
    EventType.WICK_WASHED.value: _wash_wick,
}
