"""How units stood when their operator began here: said once for each unit that hung already, by the office.

The log itself refuses none of this for its history (facts are facts); whoever fills in a form or sends a file is told,
unit by unit, what they overlooked.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import Problem
from accounts.languages import N_, _
from accounts.permissions import Actor, ActorKind, Permission, require
from fleet import queries as fleet
from servicing import log
from servicing.commands.envelopes import Fate
from servicing.commands.uploads import SLICE, upload_events
from servicing.events.fields import to_json
from servicing.events.reading import BadPayload, read_payload
from servicing.events.types import EventType
from servicing.queries import hanging
from servicing.queries.standing import standings_of
from servicing.rules import opening
from servicing.rules.unit import UnitHistory


@dataclass(frozen=True, slots=True)
class Opening:
    """What is known of one unit on the day ``as_of``; None: nobody knows. Volumes mL, as ``unit.opened`` has them.

    ``charge_ml`` None with a cartridge: that was full when it went in. ``id`` None: made of the unit and of what is said,
    so that the same again is the same event.
    """

    unit_id: UUID
    station_id: UUID
    as_of: date
    installed_on: date | None = None
    last_exchange_on: date | None = None
    cartridge_id: UUID | None = None
    charge_ml: int | None = None
    left_ml: int | None = None
    wick_fitted_on: date | None = None
    wick_condition: str | None = None
    reservoir_cleaned_on: date | None = None
    dose_ml_per_day: Decimal | None = None
    id: UUID | None = None


@dataclass(frozen=True, slots=True)
class OpeningFate:
    """What became of one opening: recorded, duplicate (it was recorded before) or refused, with what is wrong field by
    field; a problem's pointer is ``/`` and the name of the field in ``Opening``.
    """

    event_id: UUID
    fate: str
    problems: tuple[Problem, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class _Draft:
    event_id: UUID
    said: Opening
    payload: dict[str, Any]


def record_openings(*, actor: Actor, openings: Sequence[Opening]) -> list[OpeningFate]:
    """Record how units stood, each with its own answer, in their order; one that is refused sinks no other.

    Each transaction takes at most 100. Sending all of it again records nothing twice. Raises Busy as an upload does:
    what was recorded before stays. An opening is refused when its unit is in the log already, whatever it says.
    """
    require(actor, Permission.FLEET_MANAGE)
    require(actor, Permission.EVENTS_RECORD)
    fates: list[OpeningFate] = []
    for start in range(0, len(openings), SLICE):
        fates += _record_slice(actor, openings[start : start + SLICE])
    return fates


def judge_openings(openings: Sequence[Opening]) -> list[tuple[Problem, ...]]:
    """What ``record_openings`` would say is wrong with each of these, without recording any. Inside a scope."""
    drafts = _drafts(openings)
    known = _recorded(drafts)
    found = _problems(drafts, known)
    return [() if known.get(one.event_id) == "duplicate" else found[at] for at, one in enumerate(drafts)]


def _record_slice(actor: Actor, openings: Sequence[Opening]) -> list[OpeningFate]:
    with tenancy.reading(actor):
        drafts = _drafts(openings)
        known = _recorded(drafts)
        found = _problems(drafts, known)
        events = {
            at: _event(actor, draft, zone)
            for at, (draft, zone) in enumerate(zip(drafts, _zones(drafts), strict=True))
            if not found[at] and draft.event_id not in known and zone is not None
        }
    taken = dict(zip(events, upload_events(actor=actor, events=list(events.values())), strict=True))
    fates = []
    for at, draft in enumerate(drafts):
        if at in taken:
            fates.append(_fate(draft, taken[at]))
        elif known.get(draft.event_id) == "duplicate":
            fates.append(OpeningFate(draft.event_id, "duplicate"))
        else:
            fates.append(OpeningFate(draft.event_id, "refused", found[at]))
    return fates


def _fate(draft: _Draft, fate: Fate) -> OpeningFate:
    if fate.fate in {"accepted", "duplicate"}:
        return OpeningFate(draft.event_id, "recorded" if fate.fate == "accepted" else "duplicate")
    problem = Problem("/unit_id", fate.code, fate.detail)
    return OpeningFate(draft.event_id, "refused", (problem,))


def _drafts(openings: Sequence[Opening]) -> list[_Draft]:
    cartridges = fleet.cartridges_in({one.cartridge_id for one in openings if one.cartridge_id})
    drafts = []
    for one in openings:
        said = {name: to_json(value) for name in _SAID if (value := getattr(one, name)) is not None}
        if one.charge_ml is None and one.cartridge_id in cartridges:
            said["charge_ml"] = cartridges[one.cartridge_id].volume_ml
        made = one.id or uuid5(one.unit_id, f"opening {json.dumps(said, sort_keys=True)}")
        drafts.append(_Draft(made, one, said))
    return drafts


_SAID = (
    *("station_id", "as_of", "installed_on", "last_exchange_on", "cartridge_id", "charge_ml", "left_ml"),
    *("wick_fitted_on", "wick_condition", "reservoir_cleaned_on", "dose_ml_per_day"),
)


def _recorded(drafts: Sequence[_Draft]) -> dict[UUID, str]:
    """Of these events the ones that are in the log: duplicate, undone, or other (content under the same id)."""
    rows = {row.event_id: row for row in log.events_by_id([one.event_id for one in drafts])}
    standing = standings_of(list(rows)) if rows else {}
    found = {}
    for one in drafts:
        row = rows.get(one.event_id)
        if row is None:
            continue
        said = (EventType.UNIT_OPENED.value, one.said.unit_id, one.payload)
        is_same = (row.type, row.subject_id, row.payload) == said
        is_undone = standing[one.event_id].word == "superseded"
        found[one.event_id] = ("undone" if is_undone else "duplicate") if is_same else "other"
    return found


def _problems(drafts: Sequence[_Draft], known: Mapping[UUID, str]) -> list[tuple[Problem, ...]]:
    """What is wrong with each by itself, and by where things hang now."""
    facts = _Facts(drafts)
    taken: dict[UUID, UUID] = {}
    found: list[tuple[Problem, ...]] = []
    for one in drafts:
        if known.get(one.event_id) in {"undone", "other"}:
            found.append((_WRONG_ID[known[one.event_id]](),))
            continue
        problems = [*_own_problems(one), *facts.problems(one.said)]
        if not problems and taken.setdefault(one.said.station_id, one.said.unit_id) != one.said.unit_id:
            said = _("Another unit of the same list hangs there. One unit hangs at one station.")
            problems.append(Problem("/station_id", "taken", said))
        found.append(tuple(problems))
    return found


_WRONG_ID = {
    "undone": lambda: Problem(
        "/unit_id",
        "undone",
        _("This very opening state was recorded and undone. Undo that on the unit's page to restore it."),
    ),
    "other": lambda: Problem(
        "/unit_id", "other-content", _("This form was used for something else already. Open it again.")
    ),
}


# The sentences of ``unit.opened`` about its days, for people.
_SENTENCES = {
    "after-as-of": N_("This day lies after the one on which all this was so."),
    "before-installed": N_("This day lies before the one on which the unit was put up."),
    "too-early": N_("This day is too long ago. Check the year."),
}


def _own_problems(draft: _Draft) -> list[Problem]:
    try:
        read_payload(EventType.UNIT_OPENED, 1, draft.payload)
    except BadPayload as bad:
        return [
            Problem(one.pointer.removeprefix("/payload"), one.code, _(_SENTENCES.get(one.code, one.detail)))
            for one in bad.problems
            # Only that of a cartridge nobody has is missing, and of that another sentence is said.
            if draft.said.cartridge_id is None or one.pointer != "/payload/charge_ml" or one.code != "missing"
        ]
    return []


class _Facts:
    """What these openings name, as the operator has it now."""

    def __init__(self, drafts: Sequence[_Draft]) -> None:
        said = [one.said for one in drafts]
        self.codes = fleet.unit_codes({one.unit_id for one in said})
        self.places = fleet.stations({one.station_id for one in said})
        self.sites = accounts.sites_in({place.site_id for place in self.places.values()})
        self.cartridges = fleet.cartridges_in({one.cartridge_id for one in said if one.cartridge_id})
        self.hanging = hanging.codes_at({one.station_id for one in said})
        self.histories: dict[UUID, UnitHistory] = hanging.histories_of({one.unit_id for one in said})

    def problems(self, one: Opening) -> list[Problem]:
        found = []
        if one.unit_id not in self.codes:
            found.append(Problem("/unit_id", "not-found", _("There is no unit here with this id.")))
        elif (history := self.histories.get(one.unit_id)) is not None and history.ever_installed:
            found.append(self._in_the_log(one, history))
        place = self.places.get(one.station_id)
        if place is None:
            found.append(Problem("/station_id", "not-found", _("There is no station here with this id.")))
        else:
            if (other := self.hanging.get(one.station_id)) and other != self.codes.get(one.unit_id):
                taken = _("Unit {code} hangs there. Move it or take it down first.", code=other)
                found.append(Problem("/station_id", "taken", taken))
            if one.as_of > clock.today(self.sites[place.site_id].zone):
                found.append(
                    Problem("/as_of", "later", _("This day is still to come. Enter one up to today."))
                )
        if one.cartridge_id is not None and one.cartridge_id not in self.cartridges:
            found.append(Problem("/cartridge_id", "not-found", _("There is no cartridge here with this id.")))
        return found

    def _in_the_log(self, one: Opening, history: UnitHistory) -> Problem:
        code = self.codes[one.unit_id]
        if history.is_installed and history.opened_at is not None:
            detail = _(
                "Unit {code} has an opening state already. Correct or undo it on the unit's page.", code=code
            )
            return Problem("/unit_id", "opened", detail)
        detail = _("Unit {code} was put up here already, so the log knows how it stands.", code=code)
        return Problem("/unit_id", "installed", detail)


def _zones(drafts: Sequence[_Draft]) -> list[ZoneInfo | None]:
    places = fleet.stations({one.said.station_id for one in drafts})
    sites = accounts.sites_in({place.site_id for place in places.values()})
    return [
        clock.zone_of(sites[place.site_id].zone) if (place := places.get(one.said.station_id)) else None
        for one in drafts
    ]


def _event(actor: Actor, draft: _Draft, zone: ZoneInfo) -> dict[str, Any]:
    member = {"member": str(actor.id)} if actor.kind is ActorKind.MEMBER else {}
    return {
        "id": str(draft.event_id),
        "type": EventType.UNIT_OPENED.value,
        "subject": {"kind": "unit", "id": str(draft.said.unit_id)},
        "occurred_at": opening.occurred_at(draft.said.as_of, zone, clock.now()).isoformat(),
        "payload": draft.payload,
        **member,
    }
