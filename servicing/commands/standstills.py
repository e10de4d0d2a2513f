"""The end of a standstill: earlier than was said, or of one without an end."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from accounts import phrases, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from servicing.commands.office import record_events
from servicing.models import Standstill
from servicing.queries import fleet_state


def end_standstill(*, actor: Actor, site_id: UUID, standstill_id: UUID, last_day: date) -> None:
    """``last_day`` is the last day of a site's standstill (by the id of the event that began it). Once, not later than it was.

    NotFound for one that the site does not have. Conflict while another covers the day too: the event would end that.
    """
    require(actor, Permission.EVENTS_RECORD)
    with tenancy.reading(actor):
        pauses = {one.event_id: one for one in fleet_state.standstills_of(site_id)}
    if standstill_id not in pauses:
        raise NotFound(_("There is no such standstill here. It may have been undone meanwhile."))
    _refuse_day(pauses[standstill_id], last_day)
    if pauses[standstill_id].ends_on == last_day:
        return
    if any(_covers(one, last_day) for key, one in pauses.items() if key != standstill_id):
        raise Conflict(
            _("Another standstill covers {day} too. Undo one of the two first.", day=phrases.day(last_day))
        )
    record_events(
        actor=actor,
        events=[
            {
                "type": "standstill.ended",
                "subject": {"kind": "site", "id": str(site_id)},
                "payload": {"ended_on": str(last_day)},
            }
        ],
    )


def _refuse_day(pause: Standstill, last_day: date) -> None:
    if _covers(pause, last_day):
        return
    first = phrases.day(pause.starts_on)
    if pause.ends_on is None:
        outside = _("Choose {first} or a later day.", first=first)
    else:
        last = phrases.day(pause.ends_on)
        outside = _(
            "Choose a day from {first} to {last}; a longer pause is a standstill more.",
            first=first,
            last=last,
        )
    raise BadInput(outside, errors=[Problem("/last_day", "out-of-range", outside)])


def _covers(pause: Standstill, day: date) -> bool:
    return pause.starts_on <= day and (pause.ends_on is None or day <= pause.ends_on)
