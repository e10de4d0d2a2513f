"""Our vocabulary in whole sentences: what an event says, why a site is on the lookout, how a unit stands.

The tables hold English; whoever says one of their words passes it through ``_``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from accounts import clock
from accounts.languages import N_, _, _n
from accounts.phrases import count, day, dose, volume
from servicing.events.types import EventType
from servicing.pages.opening_words import opened
from servicing.queries.personal import KnownText
from servicing.rules.due import Band
from servicing.rules.harm import SiteHarm

FAULTS = {
    "PLU": N_("outlet plugged"),
    "LOO": N_("drips too little"),
    "HIO": N_("drips too much"),
    "ELU": N_("leaks"),
    "STD": N_("damaged"),
    "NOO": N_("does not drip"),
    "MIS": N_("missing"),
    "TMP": N_("tampered with"),
}
NOT_ADMITTED = {
    "closed": N_("the site was closed"),
    "nobody_to_admit": N_("nobody was there to admit the crew"),
    "room_occupied": N_("the restroom was occupied"),
    "key_missing": N_("the key was missing"),
    "unsafe": N_("it was not safe to go in"),
    "refused": N_("the site refused"),
    "weather": N_("the weather"),
}
BOWL_PRODUCTS = {
    "none": N_("nothing of their own"),
    "hypochlorite": N_("bleach or chlorine tablets (hypochlorite)"),
    "ammonium": N_("a product with ammonium"),
    "acid": N_("an acid"),
    "neutral": N_("a neutral cleaner"),
}
COUNTER_REASONS = {
    "wrong_unit": N_("it was another unit"),
    "wrong_entry": N_("a wrong entry"),
    "not_done": N_("it was not done"),
    "other": N_("another reason"),
}
ALERTS = {
    "due": N_("due"),
    "past_grace": N_("past grace"),
    "dry_soon": N_("dry soon"),
    "wick_watch": N_("wick watch"),
    "drift": N_("output off"),
}
FINDINGS = {
    "clock_ahead": N_(
        "An event waits, because its device's clock was more than ten minutes ahead. Correct it by a new entry."
    ),
    "installed_twice": N_("It was installed while it was installed already; the later place holds."),
    "level_contradicts": N_(
        "Its reservoir was read empty though its cartridge still held liquid, which feeds the reservoir until it is empty itself."
    ),
    "more_left_than_filled": N_(
        "More was found in it than had been filled in, so that reading says nothing about the dose."
    ),
    "opened_after_installed": N_(
        "An opening state was recorded of it although its history here was known; it changes nothing."
    ),
    "opened_twice": N_("Its opening state was recorded twice; the earlier one holds."),
    "serviced_before_installed": N_(
        "Work was recorded before its installation; it changes nothing until the installation arrives."
    ),
    "touched_after_withdrawal": N_("Work was recorded after it was withdrawn; it changes nothing."),
}
OUTCOMES = {
    "served": N_("served"),
    "part_served": N_("part served"),
    "not_admitted": N_("not admitted"),
    "called_off": N_("called off"),
}


# What payloads and states say in one word, as ``word`` and the filter of that name say them.
WORDS = (
    *(N_("up"), N_("degraded"), N_("down"), N_("printed"), N_("withdrawn")),
    *(N_("urinal"), N_("water closet")),
    *(N_("odour"), N_("leak"), N_("empty"), N_("damage"), N_("chemical")),
    *(N_("good"), N_("slow"), N_("failed"), N_("age"), N_("damaged"), N_("other")),
    *(N_("agreement ended"), N_("replaced"), N_("site closed")),
    *(N_("cleaned"), N_("adjusted"), N_("repaired"), N_("removed")),
    *(N_("customer"), N_("operator"), N_("weather")),
    *(N_("wiped up"), N_("absorbed"), N_("neutralised"), N_("handed over")),
    *(N_("full"), N_("half"), N_("none"), N_("missing"), N_("new"), N_("unknown")),
    *(N_("visit check"), N_("report"), N_("off schedule")),
    *(N_("arena"), N_("beach"), N_("clinic"), N_("hotel"), N_("office")),
    *(N_("plant"), N_("restaurant"), N_("retail"), N_("school"), N_("transit")),
)


def word(value: str) -> str:
    """A word of our vocabulary as people write it: "visit_check" reads "visit check"."""
    return _(value.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Names:
    """Names for the ids that payloads hold."""

    stations: Mapping[UUID, str]
    cartridges: Mapping[UUID, str]


def sentence(kind: EventType, payload: Any, names: Names) -> str:
    """What an event says, in one line of words."""
    return _SENTENCES[kind](payload, names)


def told(text: KnownText | None, zone: str) -> str:
    """What somebody said, in their words, or why it can't be read; empty when nothing was taken down."""
    if text is None:
        return ""
    if text.state == "readable":
        who = text.who or _("Somebody at the site")
        if text.said:
            return _("{who} said: “{words}”", who=who, words=text.said)
        return _("{who} said so.", who=who)
    if text.erased_at is not None:
        return _("What was said was erased on {day}.", day=day(clock.local_date(text.erased_at, zone)))
    if text.state == "absent":
        return _("What was said is not here yet: the phone has not sent it.")
    return _("What was said can't be read: its key is not here.")


def _exchanged(payload: Any, names: Names) -> str:
    found = []
    if payload.cartridge_left_ml is not None:
        found.append(_("{volume} left in the cartridge", volume=volume(payload.cartridge_left_ml)))
    if payload.reservoir_before_ml is not None:
        found.append(_("{volume} left in the reservoir", volume=volume(payload.reservoir_before_ml)))
    values = {
        "cartridge": names.cartridges.get(payload.cartridge_id) or _("cartridge"),
        "volume": volume(payload.charge_ml),
        "found": ", ".join(found) or _("what was left was not read"),
    }
    if payload.lot:
        return _(
            "Cartridge exchanged: {cartridge} with {volume} put in, lot {lot}; {found}.",
            lot=payload.lot,
            **values,
        )
    return _("Cartridge exchanged: {cartridge} with {volume} put in; {found}.", **values)


def _station(names: Names, station_id: UUID) -> str:
    return names.stations.get(station_id) or _("a station")


def _installed(payload: Any, names: Names) -> str:
    values = {"place": _station(names, payload.station_id), "volume": volume(payload.charge_ml)}
    if payload.wick == "new":
        return _("Installed at {place} with {volume} and a new wick.", **values)
    return _("Installed at {place} with {volume} and a wick of unknown age.", **values)


def _cleaned(payload: Any, _names: Names) -> str:
    if payload.wiped_out_ml:
        return _("Reservoir cleaned; {volume} wiped out.", volume=volume(payload.wiped_out_ml))
    return _("Reservoir cleaned.")


def _placement(payload: Any, names: Names) -> str:
    where = _station(names, payload.station_id)
    liquid = names.cartridges.get(payload.cartridge_id) or _("the cartridge")
    if payload.outcome == "not_measured":
        return _(
            "Placement at {place} not checked: nobody could say what the site's cleaners use there.",
            place=where,
        )
    values = {"place": where, "liquid": liquid, "product": _(BOWL_PRODUCTS[payload.bowl_product or "none"])}
    if payload.outcome == "meets":
        return _(
            "Placement at {place} checked for {liquid}: the cleaners use {product}. Nothing speaks against it.",
            **values,
        )
    return _(
        "Placement at {place} blocked: the cleaners use {product}, and it must never meet {liquid}. "
        "Do not install here. The safety data sheets of both liquids rule.",
        **values,
    )


_SPILLS = {
    "floor": N_("Spill of {volume} on the floor: {action}."),
    "wall": N_("Spill of {volume} on the wall: {action}."),
    "fixture": N_("Spill of {volume} in the fixture: {action}."),
}


def _spill(payload: Any, _names: Names) -> str:
    said = _SPILLS.get(payload.surface, N_("Spill of {volume} elsewhere: {action}."))
    return _(said, volume=volume(payload.volume_ml), action=word(payload.action))


def standstill_said(starts_on: date, ends_on: date | None, billing: str) -> str:
    values = {"first": day(starts_on), "billing": word(billing)}
    if ends_on:
        return _("Standstill from {first} to {last}, billed {billing}.", last=day(ends_on), **values)
    return _("Standstill from {first} until further notice, billed {billing}.", **values)


def _cleared(payload: Any, _names: Names) -> str:
    if payload.drips_again:
        return _("Outlet cleared; it drips again.")
    return _("Outlet cleared, but it does not drip yet.")


def _alerted(payload: Any, _names: Names) -> str:
    return _(
        "Note taken of the alert “{alert}” of {day}.",
        alert=_(ALERTS[payload.kind]),
        day=day(payload.first_day),
    )


def _level(payload: Any, _names: Names) -> str:
    return _(
        "Level read: {left} in the cartridge, {reservoir} in the reservoir.",
        left=volume(payload.cartridge_left_ml),
        reservoir=volume(payload.reservoir_ml),
    )


def _moved(payload: Any, names: Names) -> str:
    where = names.stations.get(payload.station_id) or _("another station")
    return _("Moved to {place}.", place=where)


def _fault_closed(payload: Any, _names: Names) -> str:
    return _("Fault closed: {fault}; {action}.", fault=_(FAULTS[payload.mode]), action=word(payload.action))


_SENTENCES: dict[EventType, Callable[[Any, Names], str]] = {
    EventType.ALERT_ACKNOWLEDGED: _alerted,
    EventType.CARTRIDGE_EXCHANGED: _exchanged,
    EventType.DOSE_SET: lambda p, _n: _("Dose set to {dose}.", dose=dose(p.dose_ml_per_day)),
    EventType.EVENT_COUNTERED: lambda p, _n: _(
        "An entry was undone: {reason}.", reason=_(COUNTER_REASONS[p.reason])
    ),
    EventType.FAULT_CLOSED: _fault_closed,
    EventType.FAULT_FOUND: lambda p, _n: _("Fault found: {fault}.", fault=_(FAULTS[p.mode])),
    EventType.LEAK_STOPPED: lambda _p, _n: _("Leak stopped."),
    EventType.LEVEL_READ: _level,
    EventType.OUTLET_CLEARED: _cleared,
    EventType.PLACEMENT_CHECKED: _placement,
    EventType.REPORT_CLOSED: lambda _p, _n: _("Report closed."),
    EventType.REPORT_RECEIVED: lambda p, _n: _("Report from the site: {kind}.", kind=word(p.kind)),
    EventType.RESERVOIR_CLEANED: _cleaned,
    EventType.SPILL_LOGGED: _spill,
    EventType.STANDSTILL_BEGAN: lambda p, _n: standstill_said(p.starts_on, p.ends_on, p.billing),
    EventType.STANDSTILL_ENDED: lambda p, _n: _("Standstill ended with {day}.", day=day(p.ended_on)),
    EventType.UNIT_INSTALLED: _installed,
    EventType.UNIT_MOVED: _moved,
    EventType.UNIT_OPENED: lambda p, n: opened(p, _station(n, p.station_id), n.cartridges),
    EventType.UNIT_WITHDRAWN: lambda p, _n: _("Withdrawn: {reason}.", reason=word(p.reason)),
    EventType.VISIT_CALLED_OFF: lambda p, _n: _("Visit called off: {reason}.", reason=word(p.reason)),
    EventType.VISIT_MADE: lambda p, _n: _("Visit made: {outcome}.", outcome=_(OUTCOMES[p.outcome])),
    EventType.VISIT_NOT_ADMITTED: lambda p, _n: _(
        "Not admitted: {reason}.", reason=_(NOT_ADMITTED[p.reason])
    ),
    EventType.WICK_CHANGED: lambda p, _n: _("Wick changed: {reason}.", reason=word(p.reason)),
    EventType.WICK_CHECKED: lambda p, _n: _("Wick checked: {condition}.", condition=word(p.condition)),
    EventType.WICK_WASHED: lambda _p, _n: _("Wick washed."),
}


def why(harm: SiteHarm, not_admitted_on: date | None = None) -> str:
    """Why a site stands where it does on the lookout, the gravest reason first; empty when nothing is wrong."""
    reasons = [*_reported(harm), *_wrong_units(harm)]
    if harm.late:
        reasons.append(_n("{count} unit past grace", "{count} units past grace", harm.late))
    if harm.not_admitted and not_admitted_on:
        reasons.append(_("the crew was not admitted on {day}", day=day(not_admitted_on)))
    elif harm.not_admitted:
        reasons.append(_("the crew was not admitted"))
    if harm.other_reports:
        reasons.append(count(harm.other_reports, "other open report"))
    if harm.in_grace:
        reasons.append(_n("{count} unit in grace", "{count} units in grace", harm.in_grace))
    if harm.watched:
        reasons.append(_n("{count} wick to watch", "{count} wicks to watch", harm.watched))
    text = "; ".join(reasons)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _reported(harm: SiteHarm) -> list[str]:
    if not harm.safety_reports:
        return []
    return [
        _n(
            "{count} open report of a leak or a chemical",
            "{count} open reports of a leak or a chemical",
            harm.safety_reports,
        )
    ]


def _wrong_units(harm: SiteHarm) -> list[str]:
    reasons = []
    if harm.leaks:
        reasons.append(_n("{count} unit found leaking", "{count} units found leaking", harm.leaks))
    if harm.out and harm.out_since:
        reasons.append(
            _n(
                "{count} unit dry or not dripping since {day}",
                "{count} units dry or not dripping since {day}",
                harm.out,
                day=day(harm.out_since),
            )
        )
    if harm.soon and harm.soon_on:
        reasons.append(
            _n(
                "{count} unit dry from {day} on",
                "{count} units dry from {day} on",
                harm.soon,
                day=day(harm.soon_on),
            )
        )
    if harm.off:
        reasons.append(
            _n(
                "{count} unit with an output that is off",
                "{count} units with an output that is off",
                harm.off,
            )
        )
    return reasons


def standing_of(status: str, band: Band, due_on: date | None, dry_on: date | None, today: date) -> list[str]:
    """How a unit stands, in whole sentences: what is so, when it is due, when it runs dry."""
    if status == "printed":
        return [_("Its label is printed, and it hangs nowhere yet.")]
    if status == "withdrawn":
        return [_("It is withdrawn and hangs nowhere.")]
    said = [_(_STATUS[status])]
    if band is Band.STANDSTILL:
        return [*said, _("The site stands still, so nothing is due here now.")]
    if band is Band.NONE or due_on is None:
        return [*said, _("No service agreement asks for a visit.")]
    words = _IS_DUE if due_on >= today else _WAS_DUE
    said.append(_(words[band], day=day(due_on)))
    if dry_on is None:
        said.append(_("When it runs dry is not known: nobody has read a level yet."))
    elif dry_on <= today:
        said.append(_("By its readings it has been dry since {day}.", day=day(dry_on)))
    else:
        said.append(
            _n(
                "By its readings it runs dry on {day}, in {count} day.",
                "By its readings it runs dry on {day}, in {count} days.",
                (dry_on - today).days,
                day=day(dry_on),
            )
        )
    return said


_STATUS = {
    "up": N_("It is up: it drips and has no open fault."),
    "degraded": N_("It is degraded: it drips, with a fault open."),
    "down": N_("It is down: it does not do its work."),
}
_IS_DUE = {
    Band.AHEAD: N_("It is due on {day}: its visit lies ahead."),
    Band.IN_GRACE: N_("It is due on {day}: a visit now is in grace."),
    Band.PAST_GRACE: N_("It is due on {day}: it is past grace."),
    Band.LONG_PAST: N_("It is due on {day}: it is long past."),
}
_WAS_DUE = {
    Band.AHEAD: N_("It was due on {day}: its visit lies ahead."),
    Band.IN_GRACE: N_("It was due on {day}: a visit now is in grace."),
    Band.PAST_GRACE: N_("It was due on {day}: it is past grace."),
    Band.LONG_PAST: N_("It was due on {day}: it is long past."),
}
