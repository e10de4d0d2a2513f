"""Our vocabulary in whole sentences: what an event says, why a site is on the lookout, how a unit stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from accounts import clock
from accounts.phrases import count, day
from servicing.events.types import EventType
from servicing.queries.personal import KnownText
from servicing.rules.due import Band
from servicing.rules.harm import SiteHarm

FAULTS = {
    "PLU": "outlet plugged",
    "LOO": "drips too little",
    "HIO": "drips too much",
    "ELU": "leaks",
    "STD": "damaged",
    "NOO": "does not drip",
    "MIS": "missing",
    "TMP": "tampered with",
}
NOT_ADMITTED = {
    "closed": "the site was closed",
    "nobody_to_admit": "nobody was there to admit the crew",
    "room_occupied": "the restroom was occupied",
    "key_missing": "the key was missing",
    "unsafe": "it was not safe to go in",
    "refused": "the site refused",
    "weather": "the weather",
}
BOWL_PRODUCTS = {
    "none": "nothing of their own",
    "hypochlorite": "bleach or chlorine tablets (hypochlorite)",
    "ammonium": "a product with ammonium",
    "acid": "an acid",
    "neutral": "a neutral cleaner",
}
COUNTER_REASONS = {
    "wrong_unit": "it was another unit",
    "wrong_entry": "a wrong entry",
    "not_done": "it was not done",
    "other": "another reason",
}
ALERTS = {
    "due": "due",
    "past_grace": "past grace",
    "dry_soon": "dry soon",
    "wick_watch": "wick watch",
    "drift": "output off",
}
FINDINGS = {
    "clock_ahead": "An event waits, because its device's clock was more than ten minutes ahead. Correct it by a new entry.",
    "installed_twice": "It was installed while it was installed already; the later place holds.",
    "level_contradicts": "Its reservoir was read empty though its cartridge still held liquid, which feeds the reservoir until it is empty itself.",
    "more_left_than_filled": "More was found in it than had been filled in, so that reading says nothing about the dose.",
    "serviced_before_installed": "Work was recorded before its installation; it changes nothing until the installation arrives.",
    "touched_after_withdrawal": "Work was recorded after it was withdrawn; it changes nothing.",
}
OUTCOMES = {
    "served": "served",
    "part_served": "part served",
    "not_admitted": "not admitted",
    "called_off": "called off",
}


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
        who = text.who or "Somebody at the site"
        return f"{who} said: “{text.said}”" if text.said else f"{who} said so."
    if text.erased_at is not None:
        return f"What was said was erased on {day(clock.local_date(text.erased_at, zone))}."
    if text.state == "absent":
        return "What was said is not here yet: the phone has not sent it."
    return "What was said can't be read: its key is not here."


def _exchanged(payload: Any, names: Names) -> str:
    found = [
        f"{value} mL left {where}"
        for value, where in (
            (payload.cartridge_left_ml, "in the cartridge"),
            (payload.reservoir_before_ml, "in the reservoir"),
        )
        if value is not None
    ]
    cartridge = names.cartridges.get(payload.cartridge_id, "cartridge")
    lot = f", lot {payload.lot}" if payload.lot else ""
    readings = f"; {', '.join(found)}" if found else "; what was left was not read"
    return f"Cartridge exchanged: {cartridge} with {payload.charge_ml} mL put in{lot}{readings}."


def _installed(payload: Any, names: Names) -> str:
    where = names.stations.get(payload.station_id, "a station")
    wick = "a new wick" if payload.wick == "new" else "a wick of unknown age"
    return f"Installed at {where} with {payload.charge_ml} mL and {wick}."


def _cleaned(payload: Any, names: Names) -> str:
    wiped = f"; {payload.wiped_out_ml} mL wiped out" if payload.wiped_out_ml else ""
    return f"Reservoir cleaned{wiped}."


def _placement(payload: Any, names: Names) -> str:
    where = names.stations.get(payload.station_id, "a station")
    liquid = names.cartridges.get(payload.cartridge_id, "the cartridge")
    if payload.outcome == "not_measured":
        return f"Placement at {where} not checked: nobody could say what the site's cleaners use there."
    found = BOWL_PRODUCTS[payload.bowl_product or "none"]
    if payload.outcome == "meets":
        return (
            f"Placement at {where} checked for {liquid}: the cleaners use {found}. Nothing speaks against it."
        )
    return (
        f"Placement at {where} blocked: the cleaners use {found}, and it must never meet {liquid}. "
        "Do not install here. The safety data sheets of both liquids rule."
    )


def _spill(payload: Any, _: Names) -> str:
    where = {"floor": "on the floor", "wall": "on the wall", "fixture": "in the fixture"}.get(
        payload.surface, "elsewhere"
    )
    return f"Spill of {payload.volume_ml} mL {where}: {payload.action.replace('_', ' ')}."


def _standstill(payload: Any, names: Names) -> str:
    until = f" to {day(payload.ends_on)}" if payload.ends_on else " until further notice"
    return f"Standstill from {day(payload.starts_on)}{until}, billed {payload.billing}."


_SENTENCES: dict[EventType, Callable[[Any, Names], str]] = {
    EventType.ALERT_ACKNOWLEDGED: lambda p, _: (
        f"Note taken of the alert “{ALERTS[p.kind]}” of {day(p.first_day)}."
    ),
    EventType.CARTRIDGE_EXCHANGED: _exchanged,
    EventType.DOSE_SET: lambda p, _: f"Dose set to {p.dose_ml_per_day} mL a day.",
    EventType.EVENT_COUNTERED: lambda p, _: f"An entry was undone: {COUNTER_REASONS[p.reason]}.",
    EventType.FAULT_CLOSED: lambda p, _: f"Fault closed: {FAULTS[p.mode]}; {p.action}.",
    EventType.FAULT_FOUND: lambda p, _: f"Fault found: {FAULTS[p.mode]}.",
    EventType.LEAK_STOPPED: lambda _p, _: "Leak stopped.",
    EventType.LEVEL_READ: lambda p, _: (
        f"Level read: {p.cartridge_left_ml} mL in the cartridge, {p.reservoir_ml} mL in the reservoir."
    ),
    EventType.OUTLET_CLEARED: lambda p, _: (
        "Outlet cleared; it drips again." if p.drips_again else "Outlet cleared, but it does not drip yet."
    ),
    EventType.PLACEMENT_CHECKED: _placement,
    EventType.REPORT_CLOSED: lambda _p, _: "Report closed.",
    EventType.REPORT_RECEIVED: lambda p, _: f"Report from the site: {p.kind}.",
    EventType.RESERVOIR_CLEANED: _cleaned,
    EventType.SPILL_LOGGED: _spill,
    EventType.STANDSTILL_BEGAN: _standstill,
    EventType.STANDSTILL_ENDED: lambda p, _: f"Standstill ended with {day(p.ended_on)}.",
    EventType.UNIT_INSTALLED: _installed,
    EventType.UNIT_MOVED: lambda p, n: f"Moved to {n.stations.get(p.station_id, 'another station')}.",
    EventType.UNIT_WITHDRAWN: lambda p, _: f"Withdrawn: {p.reason.replace('_', ' ')}.",
    EventType.VISIT_CALLED_OFF: lambda p, _: f"Visit called off: {p.reason}.",
    EventType.VISIT_MADE: lambda p, _: f"Visit made: {OUTCOMES[p.outcome]}.",
    EventType.VISIT_NOT_ADMITTED: lambda p, _: f"Not admitted: {NOT_ADMITTED[p.reason]}.",
    EventType.WICK_CHANGED: lambda p, _: f"Wick changed: {p.reason}.",
    EventType.WICK_CHECKED: lambda p, _: f"Wick checked: {p.condition}.",
    EventType.WICK_WASHED: lambda _p, _: "Wick washed.",
}


def why(harm: SiteHarm, not_admitted_on: date | None = None) -> str:
    """Why a site stands where it does on the lookout, the gravest reason first; empty when nothing is wrong."""
    reasons = _wrong_units(harm)
    if harm.safety_reports:
        reasons.insert(0, f"{count(harm.safety_reports, 'open report')} of a leak or a chemical")
    if harm.late:
        reasons.append(f"{count(harm.late, 'unit')} past grace")
    if harm.not_admitted:
        on = f" on {day(not_admitted_on)}" if not_admitted_on else ""
        reasons.append(f"the crew was not admitted{on}")
    if harm.other_reports:
        reasons.append(count(harm.other_reports, "other open report"))
    if harm.in_grace:
        reasons.append(f"{count(harm.in_grace, 'unit')} in grace")
    if harm.watched:
        reasons.append(f"{count(harm.watched, 'wick')} to watch")
    text = "; ".join(reasons)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _wrong_units(harm: SiteHarm) -> list[str]:
    reasons = []
    if harm.leaks:
        reasons.append(f"{count(harm.leaks, 'unit')} found leaking")
    if harm.out and harm.out_since:
        reasons.append(f"{count(harm.out, 'unit')} dry or not dripping since {day(harm.out_since)}")
    if harm.soon and harm.soon_on:
        reasons.append(f"{count(harm.soon, 'unit')} dry from {day(harm.soon_on)} on")
    if harm.off:
        reasons.append(f"{count(harm.off, 'unit')} with an output that is off")
    return reasons


def standing_of(status: str, band: Band, due_on: date | None, dry_on: date | None, today: date) -> list[str]:
    """How a unit stands, in whole sentences: what is so, when it is due, when it runs dry."""
    if status == "printed":
        return ["Its label is printed, and it hangs nowhere yet."]
    if status == "withdrawn":
        return ["It is withdrawn and hangs nowhere."]
    said = [_STATUS[status]]
    if band is Band.STANDSTILL:
        return [*said, "The site stands still, so nothing is due here now."]
    if band is Band.NONE or due_on is None:
        return [*said, "No service agreement asks for a visit."]
    said.append(f"It {'is' if due_on >= today else 'was'} due on {day(due_on)}: {_BANDS[band]}.")
    if dry_on is None:
        said.append("When it runs dry is not known: nobody has read a level yet.")
    elif dry_on <= today:
        said.append(f"By its readings it has been dry since {day(dry_on)}.")
    else:
        said.append(
            f"By its readings it runs dry on {day(dry_on)}, in {count((dry_on - today).days, 'day')}."
        )
    return said


_STATUS = {
    "up": "It is up: it drips and has no open fault.",
    "degraded": "It is degraded: it drips, with a fault open.",
    "down": "It is down: it does not do its work.",
}
_BANDS = {
    Band.AHEAD: "its visit lies ahead",
    Band.IN_GRACE: "a visit now is in grace",
    Band.PAST_GRACE: "it is past grace",
    Band.LONG_PAST: "it is long past",
}
