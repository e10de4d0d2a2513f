"""What a unit needs: one sentence for whoever opens its page, and what the next visit should do, with reasons."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from accounts import clock
from accounts.languages import N_, _
from accounts.phrases import day, time_of_day, volume
from servicing.pages.wording import FAULTS, word
from servicing.queries.fleet_state import UnitView
from servicing.queries.planning import NextVisit
from servicing.rules.due import Band
from servicing.rules.harm import LEAK_MODE, SAFETY_REPORTS
from servicing.rules.unit import DOWN_MODES


@dataclass(frozen=True, slots=True)
class ToDo:
    """One thing to do at a unit, and why; both whole sentences."""

    what: str
    why: str


def answer(view: UnitView, today: date, zone: str) -> str:
    """How a unit stands and what to do next, the gravest first, in one sentence."""
    if view.status == "printed":
        return _("Unit {unit} hangs nowhere yet: install it at a station.", unit=view.code)
    if view.status == "withdrawn":
        return _("Unit {unit} is withdrawn and hangs nowhere; nothing is to be done.", unit=view.code)
    return _dangerous(view, zone) or _resting(view) or _dry_or_late(view, today) or _at_its_visit(view, today)


def _dangerous(view: UnitView, zone: str) -> str:
    """What may hurt somebody, or keeps the unit from its work; "" for neither."""
    faults, reports = view.history.open_faults, view.history.reports.values()
    if LEAK_MODE in faults:
        on = _days([faults[LEAK_MODE]], zone)
        return _("Unit {unit} was found leaking on {day}: go there first.", unit=view.code, day=on)
    if told := [at for kind, at in reports if kind in SAFETY_REPORTS]:
        said = N_("A leak or a chemical was reported at unit {unit} on {day}: go there first.")
        return _(said, unit=view.code, day=_days(told, zone))
    if down := [at for mode, at in faults.items() if mode in DOWN_MODES]:
        said = N_("Unit {unit} has not done its work since {day}: go there now.")
        return _(said, unit=view.code, day=_days(down, zone))
    return ""


def _resting(view: UnitView) -> str:
    if view.band is Band.STANDSTILL:
        return _("Unit {unit} hangs at a site that stands still; nothing is to be done.", unit=view.code)
    if view.band is Band.NONE or view.segment is None:
        return _("Unit {unit} hangs where no service agreement asks for a visit.", unit=view.code)
    return ""


def _dry_or_late(view: UnitView, today: date) -> str:
    outlook, due_on = view.outlook, view.segment.due_on if view.segment else None
    dry_on = outlook.dry_on if outlook else None
    if dry_on is not None and dry_on <= today:
        said = N_("Unit {unit} has been dry since {day}: exchange its cartridge now.")
        return _(said, unit=view.code, day=day(dry_on))
    if view.band in {Band.PAST_GRACE, Band.LONG_PAST}:
        said = N_("Unit {unit} was due on {day} and is past grace: visit it now.")
        return _(said, unit=view.code, day=day(due_on))
    if dry_on is not None and outlook and outlook.dry_soon_from and outlook.dry_soon_from <= today:
        said = N_("Unit {unit} will be dry on {day}: visit it before then.")
        return _(said, unit=view.code, day=day(dry_on))
    if view.band is Band.IN_GRACE:
        return _("Unit {unit} is due on {day}: a visit may be made now.", unit=view.code, day=day(due_on))
    return ""


_AT_THE_VISIT = {
    "change": N_("Unit {unit} needs nothing now; at its visit, due on {day}, change the wick."),
    "wash": N_("Unit {unit} needs nothing now; at its visit, due on {day}, wash the wick."),
    "": N_("Unit {unit} needs nothing before its visit, due on {day}."),
}


def _at_its_visit(view: UnitView, today: date) -> str:
    outlook, due_on = view.outlook, view.segment.due_on if view.segment else None
    if outlook and outlook.drift and outlook.drift_since_on and outlook.drift_since_on <= today:
        said = N_(
            "Unit {unit} has been dripping otherwise than expected since {day}: look at it at its next visit."
        )
        return _(said, unit=view.code, day=day(outlook.drift_since_on))
    if view.history.open_faults or view.history.reports:
        said = N_("Unit {unit} drips, with something open that its visit, due on {day}, should put right.")
        return _(said, unit=view.code, day=day(due_on))
    advice = outlook.wick_advice if outlook else ""
    return _(_AT_THE_VISIT.get(advice, _AT_THE_VISIT[""]), unit=view.code, day=day(due_on))


def to_do(view: UnitView, today: date, zone: str) -> list[ToDo]:
    """What the next visit should do at an installed unit, in the order of the work; nothing for any other."""
    if not view.history.is_installed:
        return []
    return [
        *_reported(view, zone),
        *_broken(view, zone),
        *_exchange(view, zone),
        *_wick(view),
        *_wipe(view, today),
    ]


def _reported(view: UnitView, zone: str) -> Iterable[ToDo]:
    for kind, at in view.history.reports.values():
        yield ToDo(
            _("Look into the report: {kind}.", kind=word(kind)),
            _("It came on {day}.", day=_days([at], zone)),
        )


def _broken(view: UnitView, zone: str) -> Iterable[ToDo]:
    for mode, at in view.history.open_faults.items():
        yield ToDo(
            _("Put right: {fault}.", fault=_(FAULTS[mode])), _("Found on {day}.", day=_days([at], zone))
        )
    outlook = view.outlook
    if outlook and outlook.drift_since_on and outlook.drift_advice == "look_for_leak":
        why = N_("Since {day} it lets through more than expected.")
        yield ToDo(_("Look for a leak or a broken seal."), _(why, day=day(outlook.drift_since_on)))


def _exchange(view: UnitView, zone: str) -> Iterable[ToDo]:
    history, outlook = view.history, view.outlook
    if history.charged_at is None:
        return
    values = {"volume": volume(history.charge_ml or 0), "filled": _days([history.charged_at], zone)}
    if outlook and outlook.dry_on:
        said = N_("It was filled with {volume} on {filled} and is likely to last until {dry}.")
        why = _(said, dry=day(outlook.dry_on), **values)
    else:
        why = _("It was filled with {volume} on {filled}.", **values)
    yield ToDo(_("Exchange the cartridge, and write down what was left."), why)


_WICK = {
    "change": N_("Change the wick."),
    "wash": N_("Wash the wick."),
    "": N_("Look at the wick: good, slow or failed?"),
}
_WICK_WHY = {
    "left_over": N_("Most of the liquid was still there at the last exchange."),
    "condition": N_("It was no longer good when it was last looked at."),
    "limit": N_("It has reached the age at which it is changed in any case."),
    "drift": N_("The unit has been giving less than expected."),
    "cost": N_("By its age that costs less than waiting; the figures stand below."),
}


def _wick(view: UnitView) -> Iterable[ToDo]:
    outlook = view.outlook
    if outlook and outlook.wick_advice in {"change", "wash"}:
        yield ToDo(_(_WICK[outlook.wick_advice]), _(_WICK_WHY.get(outlook.wick_reason, "")))
    elif view.history.wick_since is None:
        yield ToDo(_(_WICK[""]), _("Its age is not known."))
    else:
        yield ToDo(_(_WICK[""]), _("Each look makes the forecasts of all wicks surer."))


def _wipe(view: UnitView, today: date) -> Iterable[ToDo]:
    clean_on = view.outlook.clean_due_on if view.outlook else None
    due_on = view.segment.due_on if view.segment else None
    if clean_on is None or clean_on > max(due_on or today, today):
        return
    if clean_on <= today:
        why = _("It has been due for cleaning since {day}.", day=day(clean_on))
    else:
        why = _("It is due for cleaning on {day}.", day=day(clean_on))
    yield ToDo(_("Wipe out the reservoir."), why)


def _days(instants: list[str], zone: str) -> str:
    """The earliest of these instants, as a day of the zone."""
    return day(clock.local_date(datetime.fromisoformat(min(instants)), zone))


def next_said(found: NextVisit | None, today: date) -> str:
    """When somebody comes next to a site, in a sentence."""
    if found is None:
        return _("No visit is planned, and nothing is due.")
    values = {"day": day(found.day), "crew": found.crew}
    if not found.is_planned:
        return _due_said(found, today, values)
    if found.begins_at is not None:
        values["time"] = time_of_day(found.begins_at)
        if found.crew:
            return _("{crew} is planned for {day} at {time}.", **values)
        return _("A visit is planned for {day} at {time}, with no crew yet.", **values)
    if found.crew:
        return _("{crew} is planned for {day}.", **values)
    return _("A visit is planned for {day}, with no crew yet.", **values)


def _due_said(found: NextVisit, today: date, values: dict[str, str]) -> str:
    if found.day < today:
        return _("No visit is planned; the oldest open due day was {day}.", **values)
    if found.crew:
        return _("No visit is planned; the next due day is {day}, and the usual crew is {crew}.", **values)
    return _("No visit is planned; the next due day is {day}, and there is no usual crew.", **values)
