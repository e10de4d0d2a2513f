"""A unit's past in sentences: what was true on a day, as we knew it on another, and what we know better since."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpRequest
from django.utils.translation import gettext_lazy

from accounts import clock
from accounts import queries as accounts
from accounts.languages import N_, _
from accounts.phrases import day, dose, volume
from fleet import queries as fleet
from servicing.events.types import EventType
from servicing.pages.wording import FAULTS, FINDINGS, Names, sentence, word
from servicing.queries import history
from servicing.queries.events import KnownEvent
from servicing.queries.fleet_state import UnitView
from servicing.queries.history import Change
from servicing.rules.due import Band


class LookBackForm(forms.Form):
    """The two days. Neither lies ahead: what will be is not asked of the past."""

    true_on = forms.DateField(
        label=gettext_lazy("What was true on"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages=dict.fromkeys(("required", "invalid"), gettext_lazy("Enter the day you ask about.")),
    )
    known_on = forms.DateField(
        label=gettext_lazy("As we knew it on"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages=dict.fromkeys(
            ("required", "invalid"), gettext_lazy("Enter the day on which we knew it.")
        ),
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
            raise forms.ValidationError(_("Choose today or a day before it."))
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
    placed = {EventType.UNIT_INSTALLED, EventType.UNIT_MOVED, EventType.UNIT_OPENED}
    stations = {event.payload.station_id for event in events if event.type in placed}  # type: ignore[attr-defined]
    return Names(
        stations={
            place.station_id: f"{place.restroom}, {place.station}"
            for place in fleet.stations(stations).values()
        },
        cartridges={cartridge.id: cartridge.name for cartridge in fleet.cartridges()},
    )


_STATUS = {
    "printed": N_("Its label was printed, and it hung nowhere yet."),
    "withdrawn": N_("It was withdrawn and hung nowhere."),
    "up": N_("It was up: it dripped and had no open fault."),
    "degraded": N_("It was degraded: it dripped, with a fault open."),
    "down": N_("It was down: it did not do its work."),
}
_BANDS = {
    Band.AHEAD: N_("Its due day was {day}: its visit lay ahead."),
    Band.IN_GRACE: N_("Its due day was {day}: it was in grace."),
    Band.PAST_GRACE: N_("Its due day was {day}: it was past grace."),
    Band.LONG_PAST: N_("Its due day was {day}: it was long past."),
}


def _stood(view: UnitView, site: str, on: date) -> list[str]:
    said = [_(_STATUS[view.status])]
    if not site:
        return said
    said.append(_("It hung at {site}, {place}.", site=site, place=f"{view.restroom}, {view.station}"))
    said += [_("Open fault: {fault}.", fault=_(FAULTS[mode])) for mode in sorted(view.history.open_faults)]
    if view.band is Band.STANDSTILL:
        return [*said, _("The site stood still, so nothing was due.")]
    if view.segment is None:
        return [*said, _("No service agreement asked for a visit.")]
    said.append(_(_BANDS[view.band], day=day(view.segment.due_on)))
    dry_on = view.outlook.dry_on if view.outlook else None
    if dry_on is None:
        said.append(_("When it would run dry was not known."))
    elif dry_on <= on:
        said.append(_("By its readings it had been dry since {day}.", day=day(dry_on)))
    else:
        said.append(_("By its readings it would run dry on {day}.", day=day(dry_on)))
    return said


def _differs(changes: list[Change], zone: str) -> list[str]:
    if any(one.field == "opened_at" and one.after for one in changes):
        # That it came under our eyes is no installation.
        changes = [one for one in changes if one.field != "installed_at"]
    said = [
        _(
            "{what} was {now}; we had {then}.",
            what=_(label),
            now=show(one.after, zone),
            then=show(one.before, zone),
        )
        for one in changes
        if one.field in _SHOWN
        for label, show in (_SHOWN[one.field],)
    ]
    if changes and not said:
        said.append(_("Only times behind these figures were different."))
    return said


Show = Callable[[Any, str], str]


def _one_word(value: Any, _zone: str) -> str:
    return word(str(value)) if value not in {None, ""} else _("none")


def _day(value: str | None, _zone: str) -> str:
    return day(date.fromisoformat(value)) if value else _("none")


def _at(value: str | None, zone: str) -> str:
    if not value:
        return _("none")
    return day(clock.local_date(datetime.fromisoformat(value), zone))


def _ml(value: int | str | None, _zone: str) -> str:
    return _("not known") if value is None else volume(Decimal(value))


def _dose(value: str | None, _zone: str) -> str:
    return dose(Decimal(value)) if value else _("not set")


def _band(value: str, _zone: str) -> str:
    return _("nothing due") if value == Band.NONE else word(value)


def _faults(value: Mapping[str, str], _zone: str) -> str:
    return ", ".join(_(FAULTS[mode]) for mode in sorted(value)) or _("none")


def _reports(value: Mapping[str, list[str]], zone: str) -> str:
    said = [_("{report} of {day}", report=word(kind), day=_at(at, zone)) for kind, at in value.values()]
    return ", ".join(said) or _("none")


def _findings(value: list[list[str]], _zone: str) -> str:
    return " ".join(f"“{_(FINDINGS[code])}”" for code, *_rest in value) or _("none")


def _place(value: str | None, _zone: str) -> str:
    if value is None:
        return _("nowhere")
    place = fleet.stations([UUID(value)])[UUID(value)]
    return f"{place.restroom}, {place.station}"


def _site(value: str | None, _zone: str) -> str:
    return accounts.get_site(UUID(value)).name if value else _("none")


# What people are told of; the other fields follow from these.
_SHOWN: dict[str, tuple[str, Show]] = {
    "status": (N_("Its state"), _one_word),
    "site": (N_("Its site"), _site),
    "station_id": (N_("Its place"), _place),
    "band": (N_("Its band"), _band),
    "due_on": (N_("Its due day"), _day),
    "dry_on": (N_("Its dry date"), _day),
    "installed_at": (N_("Its installation"), _at),
    "opened_at": (N_("Its opening state"), _at),
    "said_installed_on": (N_("The day on which it was put up before"), _day),
    "withdrawn_at": (N_("Its withdrawal"), _at),
    "last_exchange_at": (N_("Its last exchange"), _at),
    "level_ml": (N_("What was in it when it was last read"), _ml),
    "set_dose_ml_per_day": (N_("Its set dose"), _dose),
    "wick_since": (N_("The day of its last new wick"), _at),
    "wick_condition": (N_("The condition of its wick"), _one_word),
    "wick_checked_at": (N_("Its last wick check"), _at),
    "wick_washed_at": (N_("Its last wick wash"), _at),
    "reservoir_cleaned_at": (N_("Its last reservoir cleaning"), _at),
    "outlet_cleared_at": (N_("The last clearing of its outlet"), _at),
    "open_faults": (N_("What was open as a fault"), _faults),
    "reports": (N_("What was open as a report"), _reports),
    "findings": (N_("What was found in its history"), _findings),
}
