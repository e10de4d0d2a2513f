"""The service record in plain words, for people who know their restrooms and none of our terms."""

from __future__ import annotations

from datetime import date, time
from typing import Any

from accounts.languages import N_, _
from accounts.phrases import day, long_day, time_of_day
from servicing.events.types import EventType

_DONE = {
    EventType.CARTRIDGE_EXCHANGED: N_("Cartridge exchanged."),
    EventType.DOSE_SET: N_("Drip rate set."),
    EventType.LEAK_STOPPED: N_("Leak stopped."),
    EventType.LEVEL_READ: N_("Level looked at."),
    EventType.OUTLET_CLEARED: N_("Outlet cleared."),
    EventType.RESERVOIR_CLEANED: N_("Reservoir wiped out."),
    EventType.UNIT_INSTALLED: N_("Unit installed."),
    EventType.UNIT_MOVED: N_("Unit moved to this place."),
    EventType.UNIT_WITHDRAWN: N_("Unit taken away."),
    EventType.WICK_CHANGED: N_("Wick changed."),
    EventType.WICK_WASHED: N_("Wick washed."),
}
_CHECKED = {
    "good": N_("Wick checked: in order."),
    "slow": N_("Wick checked: it draws slowly."),
    "failed": N_("Wick checked: it draws no more."),
}
_FOUND = {
    "PLU": N_("Found with a blocked outlet."),
    "LOO": N_("Found dripping too little."),
    "HIO": N_("Found dripping too much."),
    "ELU": N_("Found leaking."),
    "STD": N_("Found damaged."),
    "NOO": N_("Found not dripping."),
    "MIS": N_("Found missing."),
    "TMP": N_("Found tampered with."),
}
_CLOSED = {
    "replaced": N_("Fault put right: a part was replaced."),
    "cleaned": N_("Fault put right: cleaned."),
    "adjusted": N_("Fault put right: adjusted."),
    "repaired": N_("Fault put right: repaired."),
    "removed": N_("Fault put right: taken away."),
}
_OUTCOMES = {
    "served": N_("The visit was made."),
    "part_served": N_("The visit was made in part: the crew did not reach every unit."),
    "not_admitted": N_("The crew came and could not do its work."),
    "called_off": N_("The visit was called off."),
    "not_admitted/closed": N_("The crew came, but the site was closed."),
    "not_admitted/nobody_to_admit": N_("The crew came, but nobody was there to let it in."),
    "not_admitted/room_occupied": N_("The crew came, but the restroom was occupied."),
    "not_admitted/key_missing": N_("The crew came, but the key was missing."),
    "not_admitted/unsafe": N_("The crew came, but it was not safe to go in."),
    "not_admitted/refused": N_("The crew came and was asked to leave."),
    "not_admitted/weather": N_("The crew could not do its work because of the weather."),
    "called_off/customer": N_("The visit was called off at your request."),
    "called_off/operator": N_("The visit was called off by us."),
    "called_off/weather": N_("The visit was called off because of the weather."),
}
# What somebody at the site reports, as a heading and inside a sentence.
KINDS = {
    "odour": N_("A smell"),
    "leak": N_("A leak"),
    "empty": N_("A unit that is empty"),
    "damage": N_("Damage"),
    "chemical": N_("A worry about a chemical"),
}
FIXTURES = {"urinal": N_("urinal"), "water_closet": N_("toilet")}
# Judgement: crews are held up, and a site would rather wait two hours than miss them.
WINDOW_HOURS, _HALF_HOUR, _DAY_MINUTES = 2, 30, 24 * 60


def done(kind: EventType, payload: Any) -> str:
    """What an event at a unit says that a customer needs to know; "" for all else."""
    if kind is EventType.WICK_CHECKED:
        return _(_CHECKED[payload.condition])
    if kind is EventType.FAULT_FOUND:
        return _(_FOUND[payload.mode])
    if kind is EventType.FAULT_CLOSED:
        return _(_CLOSED[payload.action])
    return _(_DONE.get(kind, ""))


def outcome(word: str, reason: str) -> str:
    """What became of a visit."""
    return _(_OUTCOMES.get(f"{word}/{reason}", _OUTCOMES[word]))


def place(restroom: str, station: str, fixture: str, *, in_room: bool = False) -> str:
    """A place on the wall: "Ground floor, 1 (urinal)"; without the room where that is said already."""
    word = _(FIXTURES.get(fixture, ""))
    where = station if not word or word.casefold() in station.casefold() else f"{station} ({word})"
    return where if in_room else f"{restroom}, {where}"


def window(begins_at: time) -> tuple[time, time]:
    """Between which times a crew that is expected at a time arrives: two hours, from half an hour before it or earlier."""
    minutes = begins_at.hour * 60 + begins_at.minute - _HALF_HOUR
    first = min(max(minutes - minutes % _HALF_HOUR, 0), _DAY_MINUTES - WINDOW_HOURS * 60)
    last = min(first + WINDOW_HOURS * 60, _DAY_MINUTES - 1)
    return time(*divmod(first, 60)), time(*divmod(last, 60))


def last_said(on: date | None) -> str:
    """When somebody was there last."""
    if on is None:
        return _("No visit has been recorded yet.")
    return _("The last visit was on {day}.", day=day(on))


def next_said(on: date | None, begins_at: time | None, *, is_planned: bool, today: date) -> str:
    """When somebody comes next: as planned, or as agreed while no day is fixed yet."""
    if on is None:
        return _("No visit is planned.")
    if not is_planned:
        if on < today:
            return _("A visit has been due since {day}; its day is not fixed yet.", day=day(on))
        return _("The next visit is due on {day}; its day is not fixed yet.", day=day(on))
    if on == today:
        return _("The next visit is planned for today.") if begins_at is None else _today(begins_at)
    if begins_at is None:
        return _("The next visit is planned for {day}.", day=day(on))
    first, last = window(begins_at)
    return _(
        "The next visit is planned for {day}, between {first} and {last}.",
        day=day(on),
        first=time_of_day(first),
        last=time_of_day(last),
    )


def _today(begins_at: time) -> str:
    first, last = window(begins_at)
    return _(
        "The next visit is planned for today, between {first} and {last}.",
        first=time_of_day(first),
        last=time_of_day(last),
    )


def announced(on: date, begins_at: time | None) -> str:
    """The line of a mail that says when a crew comes."""
    if begins_at is None:
        return _("We plan to visit on {day}.", day=long_day(on))
    first, last = window(begins_at)
    return _(
        "We plan to visit on {day}, between {first} and {last}.",
        day=long_day(on),
        first=time_of_day(first),
        last=time_of_day(last),
    )
