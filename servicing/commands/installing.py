"""Putting a unit up, moving it and taking it down, as the office records it: the place is checked first.

The log itself refuses none of this (facts are facts); a person at a form is told what they overlooked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing import log
from servicing.commands.office import record_events
from servicing.queries import fleet_state, hanging, placement
from servicing.queries.fleet_state import UnitView
from servicing.rules.placement import RULE, RULE_VERSION, outcome_of_liquids

BLOCKED = "placement-breaks"


@dataclass(frozen=True, slots=True)
class Work:
    """What somebody did to one unit and when; ``id`` is made with the form, so that sending it twice records it once.

    ``bowl_product`` is what the site's cleaners use in the fixture, a word of ``BOWL_PRODUCTS``; None: nobody could say.
    """

    id: UUID
    unit_id: UUID
    at: datetime
    bowl_product: str | None = None


def install_unit(
    *, actor: Actor, work: Work, station_id: UUID, cartridge_id: UUID, charge_ml: int, wick: str
) -> None:
    """A unit goes into service at an empty station; ``wick`` is new or unknown. The place is checked for its liquid.

    Conflict when the unit hangs somewhere or another hangs there; Conflict with code ``placement-breaks`` when the two
    liquids must never meet: then the check is recorded, the installation is not.
    """
    require(actor, Permission.EVENTS_RECORD)
    with tenancy.reading(actor):
        if _is_recorded(work.id, "unit.installed", work.unit_id):
            return
        view = fleet_state.get_unit_view(work.unit_id)
        _refuse_time(work.at)
        if view.history.is_installed:
            detail = _(
                "Unit {code} hangs at {place} already. Move it instead.", code=view.code, place=_where(view)
            )
            raise Conflict(detail, errors=[Problem("/label", "installed", detail)])
        place = _empty_place(station_id)
        family = _family(cartridge_id)
        _refuse_unasked(work, place, family)
    payload = {
        "station_id": str(station_id),
        "cartridge_id": str(cartridge_id),
        "charge_ml": charge_ml,
        "wick": wick,
    }
    _record_placed(actor, work, place, (cartridge_id, family), {"type": "unit.installed", "payload": payload})


def move_unit(*, actor: Actor, work: Work, station_id: UUID) -> None:
    """A unit goes to another empty station, of this site or of another, with the cartridge that is in it.

    Conflict as for ``install_unit``, and when the unit hangs nowhere or nobody knows what is in it.
    """
    require(actor, Permission.EVENTS_RECORD)
    with tenancy.reading(actor):
        if _is_recorded(work.id, "unit.moved", work.unit_id):
            return
        view = _hanging(work)
        place = _empty_place(station_id)
        if view.history.cartridge_id is None:
            said = N_(
                "Which cartridge hangs in unit {code} is not known, so the place can't be checked for its liquid. "
                "Correct its opening state, or record an exchange first."
            )
            detail = _(said, code=view.code)
            raise Conflict(detail, errors=[Problem("/station", "cartridge-unknown", detail)])
        cartridge_id = UUID(view.history.cartridge_id)
        family = _family(cartridge_id)
        _refuse_unasked(work, place, family)
    moved = {"type": "unit.moved", "payload": {"station_id": str(station_id)}}
    _record_placed(actor, work, place, (cartridge_id, family), moved)


def withdraw_unit(*, actor: Actor, work: Work, reason: str) -> None:
    """A unit is taken down; ``reason`` is a word of ``unit.withdrawn``. Conflict when it hangs nowhere."""
    require(actor, Permission.EVENTS_RECORD)
    with tenancy.reading(actor):
        if _is_recorded(work.id, "unit.withdrawn", work.unit_id):
            return
        _hanging(work)
    record_events(
        actor=actor, events=[_draft(work, {"type": "unit.withdrawn", "payload": {"reason": reason}})]
    )


def _hanging(work: Work) -> UnitView:
    view = fleet_state.get_unit_view(work.unit_id)
    _refuse_time(work.at)
    if not view.history.is_installed:
        detail = _("Unit {code} hangs nowhere, so nothing was recorded.", code=view.code)
        raise Conflict(detail, errors=[Problem("/unit", "not-installed", detail)])
    return view


def _where(view: UnitView) -> str:
    return f"{view.restroom}, {view.station}"


def _empty_place(station_id: UUID) -> StationPlace:
    place = fleet.stations([station_id]).get(station_id)
    if place is None:
        detail = _("There is no station here with this id.")
        raise NotFound(detail, errors=[Problem("/station", "not-found", detail)])
    if other := hanging.codes_at([station_id]).get(station_id):
        detail = _("Unit {code} hangs there. Move it or take it down first.", code=other)
        raise Conflict(detail, errors=[Problem("/station", "taken", detail)])
    return place


def _family(cartridge_id: UUID) -> str:
    facts = fleet.cartridge_facts([cartridge_id]).get(cartridge_id)
    if facts is None:
        detail = _("There is no cartridge here with this id.")
        raise NotFound(detail, errors=[Problem("/cartridge", "not-found", detail)])
    return facts.family


def _refuse_unasked(work: Work, place: StationPlace, family: str) -> None:
    """Not knowing lifts no block: where hypochlorite was found, somebody must say that it is used no longer."""
    if work.bowl_product is not None:
        return
    found = placement.blocked_stations(placement.site_notes(place.site_id))
    if any(
        one.station_id == place.station_id and outcome_of_liquids(family, one.bowl_product) == "breaks"
        for one in found
    ):
        detail = _(
            "The site's cleaners were found to use hypochlorite in this fixture, and nobody could say that they no "
            "longer do. Ask them before an acid hangs there; nothing was recorded."
        )
        raise Conflict(detail, code=BLOCKED, errors=[Problem("/bowl_product", "unknown", detail)])


def _refuse_time(at: datetime) -> None:
    if at > clock.now():
        detail = _("This is later than now. Enter when it was done.")
        raise BadInput(detail, errors=[Problem("/at", "later", detail)])


def _is_recorded(event_id: UUID, kind: str, unit_id: UUID) -> bool:
    stored = log.events_by_id([event_id])
    if stored and (stored[0].type, stored[0].subject_id) != (kind, unit_id):
        raise Conflict(_("This form was used for something else already. Open it again."))
    return bool(stored)


def _record_placed(
    actor: Actor,
    work: Work,
    place: StationPlace,
    cartridge: tuple[UUID, str],
    event: Mapping[str, Any],
) -> None:
    """The check of the place, and the event if nothing stands against it: both in one upload."""
    outcome = outcome_of_liquids(cartridge[1], work.bowl_product)
    drafts = [_check(work, place, cartridge[0], outcome)]
    if outcome != "breaks":
        drafts.append(_draft(work, event))
    record_events(actor=actor, events=drafts)
    if outcome == "breaks":
        detail = _(
            "Do not hang it there: the site's cleaners use hypochlorite, and with an acid it gives off chlorine gas. "
            "The check is recorded, the unit is not. Have the cleaners' product changed, or take a cartridge whose "
            "safety data sheet allows it, and check the place again."
        )
        raise Conflict(detail, code=BLOCKED, errors=[Problem("/bowl_product", "breaks", detail)])


def _draft(work: Work, event: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **event,
        "id": str(work.id),
        "subject": {"kind": "unit", "id": str(work.unit_id)},
        "occurred_at": work.at.isoformat(),
    }


def _check(work: Work, place: StationPlace, cartridge_id: UUID, outcome: str) -> dict[str, Any]:
    product = {"bowl_product": work.bowl_product} if work.bowl_product else {}
    # What it says is part of its id: a form sent again with another answer is another check.
    said = f"{place.station_id}/{cartridge_id}/{work.bowl_product}/{work.at.isoformat()}"
    return {
        "id": str(uuid5(work.id, said)),
        "type": "placement.checked",
        "subject": {"kind": "site", "id": str(place.site_id)},
        "occurred_at": work.at.isoformat(),
        "payload": {
            "station_id": str(place.station_id),
            "cartridge_id": str(cartridge_id),
            "rule": RULE,
            "rule_version": RULE_VERSION,
            "outcome": outcome,
            **product,
        },
    }
