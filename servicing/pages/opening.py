"""The form for a unit that hung already when its operator began: what is known of it, and nothing that is not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import DayField, OperatorRequest, operator_page
from accounts.pages.fields import Choice, VolumeField, say, words_of
from accounts.permissions import Permission
from accounts.phrases import volume
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing.commands.opening import Opening, record_openings
from servicing.events.fields import MAX_ML
from servicing.pages.correcting import DoseField
from servicing.pages.installing import site_asked, station_choices
from servicing.queries import fleet_state, hanging

if TYPE_CHECKING:
    from accounts.models import Site

CONDITIONS = [
    ("", N_("Nobody has looked")),
    ("good", N_("Good")),
    ("slow", N_("It draws slowly")),
    ("failed", N_("It draws no more")),
]
# What a problem of an opening names, by the field of the form that it stands beside.
_FIELDS = {
    "/station_id": "station",
    "/cartridge_id": "cartridge",
    "/charge_ml": "cartridge",
    "/dose_ml_per_day": "dose",
}


class OpeningForm(forms.Form):
    """Every answer but the day and the place may be left out: it is not known then. ``work`` is made with the form."""

    work = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(
        self, *args: Any, site: Site, places: list[StationPlace], cartridges: list[Any], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.initial = {"work": uuid7(), "as_of": clock.today(site.zone), **self.initial}
        empty = _("Empty: not known.")
        self.fields["station"] = Choice(label=_("Station"), choices=station_choices(places))
        self.fields["as_of"] = DayField(
            label=_("As of"),
            help_text=_("The day on which all this was so. Work on that day is taken to come after it."),
        )
        self.fields["installed_on"] = DayField(label=_("Put up on"), required=False, help_text=empty)
        self.fields["last_exchange_on"] = DayField(
            label=_("Last exchange on"),
            required=False,
            help_text=_("Empty: not known. Its due days then count from the day above."),
        )
        names = [
            (str(one.id), f"{one.name} ({one.liquid.name}, {volume(one.volume_ml)})") for one in cartridges
        ]
        self.fields["cartridge"] = Choice(
            label=_("Cartridge put in then"), required=False, choices=[("", _("Not known")), *names]
        )
        self.fields["left_ml"] = VolumeField(
            label=_("Left in it on that day"),
            required=False,
            most_ml=MAX_ML,
            help_text=_(
                "In cartridge and reservoir together. Empty: nobody has looked; 0: nothing was left."
            ),
        )
        self.fields["wick_fitted_on"] = DayField(label=_("Wick fitted on"), required=False, help_text=empty)
        self.fields["wick_condition"] = Choice(
            label=_("Condition of the wick"), required=False, choices=words_of(CONDITIONS)
        )
        self.fields["reservoir_cleaned_on"] = DayField(
            label=_("Reservoir last cleaned on"), required=False, help_text=empty
        )
        self.fields["dose"] = DoseField(
            label=_("Dose a day, as set"), required=False, help_text=_("Empty: the cartridge's own.")
        )

    def opening_of(self, unit_id: UUID) -> Opening:
        said = self.cleaned_data
        days = ("as_of", "installed_on", "last_exchange_on", "wick_fitted_on", "reservoir_cleaned_on")
        return Opening(
            id=said["work"],
            unit_id=unit_id,
            station_id=UUID(said["station"]),
            cartridge_id=UUID(said["cartridge"]) if said["cartridge"] else None,
            left_ml=said["left_ml"],
            wick_condition=said["wick_condition"] or None,
            dose_ml_per_day=said["dose"],
            **{name: said[name] for name in days},
        )


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def open_unit(request: OperatorRequest, code: str) -> HttpResponse:
    """What is known of a unit that hangs already; its site is asked for first."""
    asked = request.GET.get("site", "")
    with tenancy.reading(request.actor):
        unit = fleet.unit_by_code(code)
        history = fleet_state.get_unit_view(unit.id).history
        site, problem = site_asked(asked) if asked else (None, "")
        named = request.POST.get("station", "")
        taken = hanging.codes_at_site(site.id) if site else {}
        places = [
            one
            for one in (fleet.stations_of_site(site.id) if site else ())
            if one.station_id not in taken or str(one.station_id) == named
        ]
        cartridges = list(fleet.cartridges())
    page = {
        "unit": unit,
        "is_known": history.ever_installed,
        "site": site,
        "asked": asked,
        "site_problem": problem,
        "places": places,
    }
    if site is None:
        return render(request, "servicing/open_unit.html", page, status=422 if problem else 200)
    choices: dict[str, Any] = {"site": site, "places": places, "cartridges": cartridges}
    if request.method != "POST":
        only = str(places[0].station_id) if len(places) == 1 else ""
        form = OpeningForm(initial={"station": only}, **choices)
        return render(request, "servicing/open_unit.html", {**page, "form": form})
    form = OpeningForm(request.POST, **choices)
    if form.is_valid() and _record(request, form, unit.id):
        return redirect("unit", slug=request.operator.slug, code=unit.code)
    return render(request, "servicing/open_unit.html", {**page, "form": form}, status=422)


def _record(request: OperatorRequest, form: OpeningForm, unit_id: UUID) -> bool:
    try:
        (fate,) = record_openings(actor=request.actor, openings=[form.opening_of(unit_id)])
    except Refusal as refusal:
        say(form, refusal)
        return False
    for problem in fate.problems:
        field = _FIELDS.get(problem.pointer, problem.pointer.removeprefix("/"))
        form.add_error(field if field in form.fields else None, problem.detail)
    return not fate.problems
