"""Which units hold cartridges of a lot, or held them: what a recall asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from servicing import log
from servicing.events.types import EventType
from servicing.models import Event
from servicing.queries.events import KnownEvent, known_events
from servicing.queries.fleet_state import UnitView, unit_views
from servicing.rules.unit import instant_text


@dataclass(frozen=True, slots=True)
class LotUnit:
    """A unit into which a cartridge of the lot went; ``put_in_at`` the latest one. ``holds_it``: it is in there now."""

    view: UnitView
    put_in_at: datetime
    holds_it: bool


def units_with_lot(lot: str) -> list[LotUnit]:
    """Every unit that an exchange which stands gave this lot, those that hold it first, by site and label.

    Reads the operator's exchanges once; nothing is kept by lot.
    """
    rows = Event.objects.filter(type=EventType.CARTRIDGE_EXCHANGED, payload__lot=lot)
    events = known_events(upto=log.head_position(), event_ids=set(rows.values_list("event_id", flat=True)))
    latest: dict[UUID, KnownEvent] = {}
    for event in events:
        if event.standing == "effective":
            latest[event.subject_id] = event
    views = unit_views(latest)
    found = [
        LotUnit(view, latest[unit_id].occurred_at, _holds(view, latest[unit_id]))
        for unit_id, view in views.items()
    ]
    return sorted(
        found, key=lambda one: (not one.holds_it, str(one.view.site_id), one.view.restroom, one.view.code)
    )


def _holds(view: UnitView, event: KnownEvent) -> bool:
    """Whether what this exchange put in is what the unit was last charged with, and the unit hangs somewhere."""
    return view.history.is_installed and view.history.charged_at == instant_text(event.occurred_at)
