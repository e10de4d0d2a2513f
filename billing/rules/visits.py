"""What happened at a site on a day, as far as its price hangs on the day: arrivals, exchanges, answers to reports."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from billing.rules.places import Happening, Stood

MADE, NOT_ADMITTED, CALLED_OFF = "visit.made", "visit.not_admitted", "visit.called_off"
EXCHANGED, INSTALLING = "cartridge.exchanged", "unit.installed"
# A fault that the site's message or somebody passing by brought to light, not the crew's regular check.
OUTSIDE_THE_ROUND = frozenset({"report", "off_schedule"})
# Why a service was not done that is not the operator's doing.
CALLED_OFF_FOR = frozenset({"customer", "weather"})

Day = tuple[UUID, date]  # of a site


@dataclass(slots=True)
class VisitDay:
    """The arrivals at one site on one day of its own, in canonical order. Several in a day are one visit."""

    made: list[Happening] = field(default_factory=list)
    not_admitted: list[Happening] = field(default_factory=list)
    call_outs: list[Happening] = field(default_factory=list)
    is_regular: bool = False

    @property
    def call_out(self) -> Happening | None:
        """The arrival that makes the day a call-out: one that answered a report or a fault, on a day without an exchange."""
        return self.call_outs[0] if self.call_outs and not self.is_regular else None


def visit_days(happenings: Iterable[Happening], stood: Mapping[UUID, Stood]) -> dict[Day, VisitDay]:
    """The days with an arrival. ``happenings`` in canonical order; ``stood`` says where the effective ones were done."""
    events = [h for h in happenings if h.event_id in stood]
    exchanging = {h.visit_id for h in events if h.type == EXCHANGED}
    answering = _answering(events)
    days: dict[Day, VisitDay] = {}
    for happening in events:
        if happening.type not in {MADE, NOT_ADMITTED}:
            continue
        place = stood[happening.event_id]
        if place.site is None:
            continue
        day = days.setdefault((place.site.id, place.day), VisitDay())
        if happening.type == NOT_ADMITTED:
            day.not_admitted.append(happening)
            continue
        day.made.append(happening)
        day.is_regular |= happening.subject_id in exchanging
        if happening.subject_id in answering:
            day.call_outs.append(happening)
    return days


def _answering(events: Sequence[Happening]) -> set[UUID | None]:
    """The visits that closed a report, or that found or closed a fault which was not found by a regular check."""
    found: dict[tuple[UUID, str], str] = {}
    visits: set[UUID | None] = set()
    for event in events:
        if event.type == "fault.found":
            found[event.subject_id, event.mode] = event.detection
        if event.type == "report.closed" or (
            event.type in {"fault.found", "fault.closed"}
            and found.get((event.subject_id, event.mode)) in OUTSIDE_THE_ROUND
        ):
            visits.add(event.visit_id)
    return visits - {None}
