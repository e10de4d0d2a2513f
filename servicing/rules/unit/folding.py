"""The walk over a unit's events: which of them act on its history, and what the others leave behind."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Any

from servicing.events.reading import stored_payload
from servicing.events.types import EventType
from servicing.rules.fold import FoldEvent
from servicing.rules.unit import steps
from servicing.rules.unit.history import UnitHistory, instant_text
from servicing.rules.unit.steps import Said

_COUNTERED = EventType.EVENT_COUNTERED.value
# What may be said of a unit that is not in service.
_BEGINS = {EventType.UNIT_INSTALLED.value, EventType.UNIT_OPENED.value}

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
            if history.is_installed or kind in _BEGINS:
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


Step = Callable[[UnitHistory, str, str, Said], None]

# The office's words about a unit, true whether it hangs or not.
_ANYTIME: dict[str, Step] = {
    EventType.ALERT_ACKNOWLEDGED.value: steps.acknowledge,
    EventType.REPORT_CLOSED.value: steps.close_report,
    EventType.REPORT_RECEIVED.value: steps.receive_report,
}

_STEPS: dict[str, Step] = {
    EventType.CARTRIDGE_EXCHANGED.value: steps.exchange,
    EventType.DOSE_SET.value: steps.set_dose,
    EventType.FAULT_CLOSED.value: steps.close_fault,
    EventType.FAULT_FOUND.value: steps.find_fault,
    EventType.LEAK_STOPPED.value: steps.stop_leak,
    EventType.LEVEL_READ.value: steps.level,
    EventType.OUTLET_CLEARED.value: steps.clear_outlet,
    EventType.RESERVOIR_CLEANED.value: steps.clean_reservoir,
    EventType.UNIT_INSTALLED.value: steps.install,
    EventType.UNIT_MOVED.value: steps.move,
    EventType.UNIT_OPENED.value: steps.open_unit,
    EventType.UNIT_WITHDRAWN.value: steps.withdraw,
    EventType.WICK_CHANGED.value: steps.change_wick,
    EventType.WICK_CHECKED.value: steps.check_wick,
    EventType.WICK_WASHED.value: steps.wash_wick,
}
