"""Putting an entry right: a counter-event that says why, and the entry as it should have been, in one go."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, NotFound
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from servicing import log
from servicing.commands.envelopes import Fate, read_event
from servicing.commands.office import record_events
from servicing.events.reading import PAYLOADS
from servicing.events.types import EventType
from servicing.log import EventRow
from servicing.queries.references import known_rows, named_rows
from servicing.queries.standing import standings_of

# What a crew writes down of a unit. The others are undone, or are about what somebody said.
CORRECTABLE = frozenset(
    {
        EventType.CARTRIDGE_EXCHANGED,
        EventType.DOSE_SET,
        EventType.FAULT_CLOSED,
        EventType.FAULT_FOUND,
        EventType.LEAK_STOPPED,
        EventType.LEVEL_READ,
        EventType.OUTLET_CLEARED,
        EventType.RESERVOIR_CLEANED,
        EventType.UNIT_INSTALLED,
        EventType.UNIT_MOVED,
        EventType.UNIT_OPENED,
        EventType.UNIT_WITHDRAWN,
        EventType.WICK_CHANGED,
        EventType.WICK_CHECKED,
        EventType.WICK_WASHED,
    }
)


def correct_event(
    *,
    actor: Actor,
    event_id: UUID,
    occurred_at: datetime,
    payload: dict[str, Any],
    reason: str,
    id: UUID,  # noqa: A002
    counter_id: UUID,
) -> UUID:
    """Undo an event of a unit for a reason and record in its place one of the same type, visit and touch. Gives its id.

    Both or neither: the new one is checked first, and one transaction takes both. The same again with the same ids
    records nothing more. NotFound for an event that is not there; Conflict for one that no longer counts, and for other
    content under the same ids; BadInput for what the new one can't be.
    """
    require(actor, Permission.EVENTS_COUNTER)
    with tenancy.reading(actor):
        original = next(iter(log.events_by_id([event_id])), None)
        if original is None:
            raise NotFound(_("There is no event here with this id."))
        if original.type not in CORRECTABLE:
            raise BadInput(_("An entry of this kind can't be corrected; undo it and record it again."))
        drafts = [
            _counter(original, counter_id, reason),
            _replacement(original, id, occurred_at, payload),
        ]
        if _is_recorded(drafts[1]):
            return id
        if standings_of([event_id])[event_id].word == "superseded":
            raise Conflict(
                _(
                    "This entry was undone or replaced meanwhile, so nothing was recorded. Open the unit's page again."
                )
            )
        for draft in drafts:
            _refuse_unreadable(actor, draft)
    try:
        record_events(actor=actor, events=drafts)
    except BadInput:
        # The same form may have been sent twice at once.
        with tenancy.reading(actor):
            if not _is_recorded(drafts[1]):
                raise
    return id


def _counter(original: EventRow, counter_id: UUID, reason: str) -> dict[str, Any]:
    return {
        "id": str(counter_id),
        "type": str(EventType.EVENT_COUNTERED),
        "subject": _subject(original),
        "occurred_at": clock.now().isoformat(),
        "corrects": str(original.event_id),
        "payload": {"reason": reason},
    }


def _replacement(
    original: EventRow, made_id: UUID, occurred_at: datetime, payload: dict[str, Any]
) -> dict[str, Any]:
    belongs = {"visit": original.visit_id, "touch": original.touch_id}
    return {
        "id": str(made_id),
        "type": original.type,
        "schema_version": PAYLOADS[EventType(original.type)].VERSION,
        "subject": _subject(original),
        "occurred_at": occurred_at.isoformat(),
        "corrects": str(original.event_id),
        "payload": payload,
        **{name: str(value) for name, value in belongs.items() if value is not None},
    }


def _subject(original: EventRow) -> dict[str, str]:
    return {"kind": original.subject_kind, "id": str(original.subject_id)}


def _is_recorded(draft: dict[str, Any]) -> bool:
    """Whether this very entry is stored already; Conflict when another is under its id."""
    stored = log.events_by_id([UUID(draft["id"])])
    if not stored:
        return False
    one = stored[0]
    same = (one.type, str(one.corrects), one.payload, one.occurred_at.isoformat()) == (
        draft["type"],
        draft["corrects"],
        draft["payload"],
        datetime.fromisoformat(draft["occurred_at"]).astimezone(one.occurred_at.tzinfo).isoformat(),
    )
    if not same:
        raise Conflict(_("An event with this id and other content is stored already; the stored one stays."))
    return True


def _refuse_unreadable(actor: Actor, draft: dict[str, Any]) -> None:
    """Whatever an upload would refuse, before anything is stored."""
    read = read_event(actor, UUID(int=0), draft, clock.now())
    if isinstance(read, Fate):
        raise BadInput(_("This entry can't be taken so; nothing was recorded."), errors=list(read.errors))
    named = named_rows(read.event, read.payload)
    if not named <= known_rows(named).rows:
        raise NotFound(_("There is no station or cartridge here with this id; nothing was recorded."))
