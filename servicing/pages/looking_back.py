"""A unit's past in sentences: what was true on a day, as we knew it on another, and what we know better since."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpRequest

from accounts import clock
from accounts import queries as accounts
from accounts.phrases import day
from fleet import queries as fleet
from servicing.events.types import EventType
from servicing.pages.wording import FAULTS, FINDINGS, Names, sentence
from servicing.queries import history
from servicing.queries.events import KnownEvent
from servicing.queries.fleet_state import UnitView
from servicing.queries.history import Change
from servicing.rules.due import Band


class LookBackForm(forms.Form):
    """The two days. Neither lies ahead: what will be is not asked of the past."""

    true_on = forms.DateField(
        label="What was true on",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages=dict.fromkeys(("required", "invalid"), "Enter the day you ask about."),
    )
    known_on = forms.DateField(
        label="As we knew it on",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages=dict.fromkeys(("required", "invalid"), "Enter the day on which we knew it."),
    )

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "initial": {"true_on": today, "known_on": today}})
        self.today = today

    def clean_true_on(self) -> date:
        return self._past("true_on")

    def clean_known_on(self) -> date:
        return self._past("known_on")

    def _past(self, name: str) -> date:
        asked: date = self.cleaned_data[name]
        if not date(history.EARLIEST_YEAR, 1, 1) <= asked <= self.today:
            raise forms.ValidationError("Choose today or a day before it.")
        return asked


@dataclass(frozen=True, slots=True)
class Learnt:
    """Something recorded since; ``is_here`` if the unit's own list of events shows it too."""

    event: KnownEvent
    says: str
    is_here: bool


@dataclass(frozen=True, slots=True)
class LookBack:
    """The form, and once it was filled in the answer: how it stood, what was different, and what told us so."""

    form: LookBackForm
    zone: str
    stood: list[str]
    differs: list[str]
    learnt: list[Learnt]


def look_back(request: HttpRequest, unit_id: UUID, zone: str) -> LookBack:
    """Asked inside the scope; days are those of the zone, and count to their end."""
    is_asked = bool({"true_on", "known_on"} & request.GET.keys())
    form = LookBackForm(request.GET if is_asked else None, today=clock.today(zone))
    if not form.is_valid():
        return LookBack(form, zone, [], [], [])
    as_of = history.end_of_day(form.cleaned_data["true_on"], zone)
    known = history.position_known_on(history.end_of_day(form.cleaned_data["known_on"], zone))
    difference = history.difference(unit_id, known, as_of=as_of)
    view = difference.before.view
    site = accounts.get_site(view.site_id).name if view.site_id else ""
    names = names_of(difference.events)
    return LookBack(
        form,
        zone,
        stood=_stood(view, site, difference.before.day),
        differs=_differs(difference.changes, zone),
        learnt=[
            Learnt(event, sentence(event.type, event.payload, names), event.subject_id == unit_id)
            for event in difference.events
        ],
    )


def names_of(events: Iterable[KnownEvent]) -> Names:
    """The names of the stations and cartridges that these events speak of."""
    placed = {EventType.UNIT_INSTALLED, EventType.UNIT_MOVED}
    stations = {event.payload.station_id for event in events if event.type in placed}  # type: ignore[attr-defined]
    return Names(
        stations={
            place.station_id: f"{place.restroom}, {place.station}"
            for place in fleet.stations(stations).values()
        },
        cartridges={cartridge.id: cartridge.name for cartridge in fleet.cartridges()},
    )


_STATUS = {
    "printed": "Its label was printed, and it hung nowhere yet.",
    "withdrawn": "It was withdrawn and hung nowhere.",
    "up": "It was up: it dripped and had no open fault.",
    "degraded": "It was degraded: it dripped, with a fault open.",
    "down": "It was down: it did not do its work.",
}
_BANDS = {
    Band.AHEAD: "its visit lay ahead",
    Band.IN_GRACE: "it was in grace",
    Band.PAST_GRACE: "it was past grace",
    Band.LONG_PAST: "it was long past",
}


def _stood(view: UnitView, site: str, on: date) -> list[str]:
    said = [_STATUS[view.status]]
    if not site:
        return said
    said.append(f"It hung at {site}, {view.restroom}, {view.station}.")
    said += [f"Open fault: {FAULTS[mode]}." for mode in sorted(view.history.open_faults)]
    if view.band is Band.STANDSTILL:
        return [*said, "The site stood still, so nothing was due."]
    if view.segment is None:
        return [*said, "No service agreement asked for a visit."]
    said.append(f"Its due day was {day(view.segment.due_on)}: {_BANDS[view.band]}.")
    dry_on = view.outlook.dry_on if view.outlook else None
    if dry_on is None:
        said.append("When it would run dry was not known.")
    elif dry_on <= on:
        said.append(f"By its readings it had been dry since {day(dry_on)}.")
    else:
        said.append(f"By its readings it would run dry on {day(dry_on)}.")
    return said


def _differs(changes: list[Change], zone: str) -> list[str]:
    said = [
        f"{label} was {show(one.after, zone)}; we had {show(one.before, zone)}."
        for one in changes
        if one.field in _SHOWN
        for label, show in (_SHOWN[one.field],)
    ]
    if changes and not said:
        said.append("Only times behind these figures were different.")
    return said


Show = Callable[[Any, str], str]


def _word(value: Any, _: str) -> str:
    return str(value).replace("_", " ") if value not in {None, ""} else "none"


def _day(value: str | None, _: str) -> str:
    return day(date.fromisoformat(value)) if value else "none"


def _at(value: str | None, zone: str) -> str:
    if not value:
        return "none"
    return day(clock.local_date(datetime.fromisoformat(value), zone))


def _ml(value: int | str | None, _: str) -> str:
    return "not known" if value is None else f"{value} mL"


def _dose(value: str | None, _: str) -> str:
    return f"{value} mL a day" if value else "not set"


def _band(value: str, _: str) -> str:
    return "nothing due" if value == Band.NONE else value.replace("_", " ")


def _faults(value: Mapping[str, str], _: str) -> str:
    return ", ".join(FAULTS[mode] for mode in sorted(value)) or "none"


def _reports(value: Mapping[str, list[str]], zone: str) -> str:
    return ", ".join(f"{kind} of {_at(at, zone)}" for kind, at in value.values()) or "none"


def _findings(value: list[list[str]], _: str) -> str:
    return " ".join(f"“{FINDINGS[code]}”" for code, *_rest in value) or "none"


def _place(value: str | None, _: str) -> str:
    if value is None:
        return "nowhere"
    place = fleet.stations([UUID(value)])[UUID(value)]
    return f"{place.restroom}, {place.station}"


def _site(value: str | None, _: str) -> str:
    return accounts.get_site(UUID(value)).name if value else "none"


# What people are told of; the other fields follow from these.
_SHOWN: dict[str, tuple[str, Show]] = {
    "status": ("Its state", _word),
    "site": ("Its site", _site),
    "station_id": ("Its place", _place),
    "band": ("Its band", _band),
    "due_on": ("Its due day", _day),
    "dry_on": ("Its dry date", _day),
    "installed_at": ("Its installation", _at),
    "withdrawn_at": ("Its withdrawal", _at),
    "last_exchange_at": ("Its last exchange", _at),
    "level_ml": ("What was in it when it was last read", _ml),
    "set_dose_ml_per_day": ("Its set dose", _dose),
    "wick_since": ("The day of its last new wick", _at),
    "wick_condition": ("The condition of its wick", _word),
    "wick_checked_at": ("Its last wick check", _at),
    "wick_washed_at": ("Its last wick wash", _at),
    "reservoir_cleaned_at": ("Its last reservoir cleaning", _at),
    "outlet_cleared_at": ("The last clearing of its outlet", _at),
    "open_faults": ("What was open as a fault", _faults),
    "reports": ("What was open as a report", _reports),
    "findings": ("What was found in its history", _findings),
}
