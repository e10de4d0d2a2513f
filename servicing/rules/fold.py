"""From a set of events to what is so: which of them stand, and what the standing ones make of a unit, a site, a visit.

The order is canonical (occurred_at, device, device sequence, event id), never that of arrival, so any order of
upload gives the same state. A contradiction is a finding, not an error: what an event says stays recorded.

A unit installed while it is installed moves (finding ``installed_twice``). Anything said of a unit that is not
installed at that moment changes nothing but its findings.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from servicing.events.types import EventType, Payload, StandstillBegan, StandstillEnded

AHEAD_TOLERANCE = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class FoldEvent:
    """One event as the folds see it; ``payload`` is its dataclass in the newest version, ``said`` its JSON form if at hand."""

    event_id: UUID
    device_id: UUID
    device_sequence: int
    type: EventType
    subject_kind: str
    subject_id: UUID
    occurred_at: datetime
    received_at: datetime
    payload: Payload
    corrects: UUID | None = None
    visit_id: UUID | None = None
    said: dict[str, Any] | None = field(default=None, compare=False, repr=False)

    @property
    def key(self) -> tuple[datetime, UUID, int, UUID]:
        return (self.occurred_at, self.device_id, self.device_sequence, self.event_id)

    @property
    def is_ahead(self) -> bool:
        """Its clock says more than ten minutes after the server received it; it waits for a replacement."""
        return self.occurred_at > self.received_at + AHEAD_TOLERANCE


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether an event counts: 'effective', 'superseded' (and by which event), or 'clock_ahead'."""

    word: str
    by: UUID | None = None


EFFECTIVE = Standing("effective")
CLOCK_AHEAD = Standing("clock_ahead")


def standings(events: Collection[FoldEvent]) -> dict[UUID, Standing]:
    """Each event's standing, resolved over the whole set at once.

    The set must hold every event that corrects one of it, however far the chain goes. An event falls to an effective
    counter-event, or to an effective replacement; of several replacements of one event the last in canonical order
    stands. Corrections that run in a circle correct nothing.
    """
    if all(event.corrects is None for event in events):
        return {event.event_id: CLOCK_AHEAD if event.is_ahead else EFFECTIVE for event in events}
    by_id = {event.event_id: event for event in events}
    correcting: dict[UUID, list[FoldEvent]] = {}
    for event in events:
        if event.corrects is not None and not _in_circle(event, by_id):
            correcting.setdefault(event.corrects, []).append(event)
    resolved: dict[UUID, Standing] = {}
    for event in _leaves_first(events, correcting):
        resolved[event.event_id] = _standing(event, correcting.get(event.event_id, ()), resolved)
    for rivals in correcting.values():
        _keep_last_replacement(rivals, resolved)
    return resolved


def _standing(event: FoldEvent, correcting: Sequence[FoldEvent], resolved: dict[UUID, Standing]) -> Standing:
    standing = [one for one in correcting if resolved[one.event_id] is EFFECTIVE]
    if not standing:
        return CLOCK_AHEAD if event.is_ahead else EFFECTIVE
    counters = [one for one in standing if one.type is EventType.EVENT_COUNTERED]
    return Standing("superseded", max(counters or standing, key=lambda one: one.key).event_id)


def _keep_last_replacement(rivals: Sequence[FoldEvent], resolved: dict[UUID, Standing]) -> None:
    standing = [
        one
        for one in rivals
        if one.type is not EventType.EVENT_COUNTERED and resolved[one.event_id] is EFFECTIVE
    ]
    if len(standing) > 1:
        last = max(standing, key=lambda one: one.key)
        for one in standing:
            if one is not last:
                resolved[one.event_id] = Standing("superseded", last.event_id)


def _in_circle(event: FoldEvent, by_id: dict[UUID, FoldEvent]) -> bool:
    seen = {event.event_id}
    step = event.corrects
    while step is not None and step in by_id:
        if step == event.event_id:
            return True
        if step in seen:
            return False  # it leads into a circle without being part of it
        seen.add(step)
        step = by_id[step].corrects
    return False


def _leaves_first(events: Iterable[FoldEvent], correcting: dict[UUID, list[FoldEvent]]) -> list[FoldEvent]:
    ordered: list[FoldEvent] = []
    done: set[UUID] = set()
    for event in events:
        stack = [(event, False)]
        while stack:
            one, ready = stack.pop()
            if ready:
                ordered.append(one)
            elif one.event_id not in done:
                done.add(one.event_id)
                stack.append((one, True))
                stack.extend((child, False) for child in correcting.get(one.event_id, ()))
    return ordered


def effective(events: Collection[FoldEvent]) -> list[FoldEvent]:
    """The standing events in canonical order."""
    standing = standings(events)
    return sorted((e for e in events if standing[e.event_id] is EFFECTIVE), key=lambda event: event.key)


@dataclass(frozen=True, slots=True)
class StandstillSpan:
    """A site's pause: first and last day (None: open), and what it costs: 'full', 'half' or 'none'."""

    event_id: UUID
    starts_on: date
    ends_on: date | None
    billing: str


def fold_standstills(events: Sequence[FoldEvent]) -> list[StandstillSpan]:
    """A site's pauses, in the order they were begun. ``events`` are its effective ones in canonical order.

    ``standstill.ended`` shortens the latest begun one that covers its day; one that covers none changes nothing.
    """
    spans: list[StandstillSpan] = []
    for event in events:
        payload = event.payload
        if isinstance(payload, StandstillBegan):
            last = payload.ends_on
            if last is not None and last < payload.starts_on:
                last = payload.starts_on
            spans.append(StandstillSpan(event.event_id, payload.starts_on, last, payload.billing))
        elif isinstance(payload, StandstillEnded):
            for index in range(len(spans) - 1, -1, -1):
                span = spans[index]
                if span.starts_on <= payload.ended_on and (
                    span.ends_on is None or payload.ended_on <= span.ends_on
                ):
                    spans[index] = StandstillSpan(
                        span.event_id, span.starts_on, payload.ended_on, span.billing
                    )
                    break
    return spans


def open_reports(events: Sequence[FoldEvent]) -> list[FoldEvent]:
    """The reports among a subject's effective events that no ``report.closed`` has closed."""
    closed = {event.payload.report_event_id for event in events if event.type is EventType.REPORT_CLOSED}  # type: ignore[attr-defined]
    return [e for e in events if e.type is EventType.REPORT_RECEIVED and e.event_id not in closed]


@dataclass(frozen=True, slots=True)
class VisitRow:
    site_id: UUID
    crew_id: UUID | None
    occurred_at: datetime
    outcome: str
    reason: str
    minutes: int | None


OUTCOMES = {EventType.VISIT_NOT_ADMITTED: "not_admitted", EventType.VISIT_CALLED_OFF: "called_off"}


def fold_visit(events: Sequence[FoldEvent]) -> VisitRow | None:
    """What became of a visit: the last of its effective outcomes in canonical order; None without one."""
    outcomes = [event for event in events if event.type is not EventType.EVENT_COUNTERED]
    return visit_row(outcomes[-1].type, outcomes[-1].payload, outcomes[-1].occurred_at) if outcomes else None


def visit_row(kind: EventType, payload: Any, occurred_at: datetime) -> VisitRow:
    """What one outcome says of its visit."""
    return VisitRow(
        site_id=payload.site_id,
        crew_id=payload.crew_id,
        occurred_at=occurred_at,
        outcome=OUTCOMES.get(kind) or payload.outcome,
        reason=getattr(payload, "reason", ""),
        minutes=getattr(payload, "minutes", None),
    )
