"""The first steps of a new operator: one page that shows which are done, and a short form for the next."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.commands import places
from accounts.errors import NotFound, Refusal
from accounts.languages import N_, _
from accounts.pages import DayField, OperatorRequest, VolumeField, operator_page, say, wording
from accounts.pages.fields import Choice, Choices, Lines, Text, WholeNumber, words_of
from accounts.permissions import Permission
from fleet import commands as fleet_commands
from fleet import queries as fleet
from servicing.queries.beginning import STEPS, first_steps

MOST_FIXTURES = 30
_THOUSANDTH = Decimal("0.001")
FAMILIES = (("acid", N_("Acid")), ("enzyme", N_("Enzyme")), ("neutral", N_("Neutral")))


class FirstSiteForm(forms.Form):
    """Who pays, where it is, and how often somebody comes."""

    customer = Text(label=gettext_lazy("Customer, as it stands on invoices"), max_length=200)
    country = Choice(label=gettext_lazy("Country"), choices=wording.countries)
    name = Text(
        label=gettext_lazy("Name of the site"),
        max_length=200,
        help_text=gettext_lazy("As your crews call it, such as Marl Quay School."),
    )
    kind = Choice(label=gettext_lazy("Kind"), choices=wording.site_kinds, initial="office")
    address = Lines(label=gettext_lazy("Address"), required=False, max_length=1_000, rows=2)
    crew = Choice(label=gettext_lazy("Usual crew"), required=False)
    interval_months = WholeNumber(label=gettext_lazy("Months between visits"), least=1, most=12, initial=1)
    starts_on = DayField(
        label=gettext_lazy("Service from"),
        help_text=gettext_lazy("Its day of the month is that of every due day."),
    )

    def __init__(self, *args: Any, payers: Choices, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].choices = [("", _("no usual crew")), *crews]  # type: ignore[attr-defined]
        if payers:
            self.fields["payer"] = Choice(
                label=_("Billed to"), required=False, choices=[("", _("a new customer")), *payers]
            )
            self.fields["customer"].required = False
            self.fields["customer"].label = _("The new customer, as it stands on invoices")
            self.order_fields(["payer", "customer"])

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if not values.get("payer") and not values.get("customer") and "customer" not in self.errors:
            self.add_error("customer", _("Fill this in."))
        return values


class RoomsForm(forms.Form):
    name = Text(
        label=gettext_lazy("Name of the restroom"),
        max_length=120,
        help_text=gettext_lazy("As people at the site find it, such as Ground floor, men."),
    )
    urinals = WholeNumber(label=gettext_lazy("Urinals in it"), least=0, most=MOST_FIXTURES, initial=1)
    water_closets = WholeNumber(
        label=gettext_lazy("Water closets in it"), least=0, most=MOST_FIXTURES, initial=0
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("urinals") == 0 and values.get("water_closets") == 0:
            self.add_error("urinals", _("Say how many fixtures there are, of either kind."))
        return values


class SuppliesForm(forms.Form):
    """What drips, out of which cartridge, in which unit. Dose = volume / days that it lasts."""

    liquid = Text(label=gettext_lazy("Name of the liquid"), max_length=80)
    family = Choice(
        label=gettext_lazy("What it is"),
        choices=lambda: words_of(FAMILIES),
        help_text=gettext_lazy("As its safety data sheet says. In doubt, acid: it is the one with a danger."),
    )
    volume_ml = VolumeField(label=gettext_lazy("Volume of a cartridge"), least_ml=1, initial=280)
    lasts_days = WholeNumber(
        label=gettext_lazy("Days that a cartridge lasts"),
        least=1,
        most=400,
        initial=35,
        help_text=gettext_lazy("As its maker says; the product learns the real figure from your visits."),
    )
    model = Text(label=gettext_lazy("Name of the unit's model"), max_length=80)
    reservoir_ml = VolumeField(label=gettext_lazy("Volume of its reservoir"), least_ml=1, initial=40)


class LabelsForm(forms.Form):
    count = WholeNumber(label=gettext_lazy("Number of labels"), least=1, most=2_000)


@operator_page(Permission.SITES_MANAGE, "GET", "HEAD", "POST")
def begin(request: OperatorRequest) -> HttpResponse:
    """Each form is of one step; the page begins with the next that is not done."""
    step = request.POST.get("step", "")
    if request.method != "POST":
        return _show(request)
    if step not in _DOERS:
        raise NotFound(_("There is no such step. Open the page again."))
    form = _forms(request, step)[step]
    if not form.is_valid():
        return _show(request, **{step: form}, status=422)
    try:
        onward = _DOERS[step](request, form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal, _NAMES.get(step))
        return _show(request, **{step: form}, status=refusal.status)
    return onward or redirect("begin", slug=request.operator.slug)


def _forms(request: OperatorRequest, filled: str = "") -> dict[str, forms.Form]:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        country = accounts.usual_country() or wording.country_of_zone(request.operator.zone)
        payers = [(str(one.id), one.name) for one in accounts.customers()]
        crews = [(str(one.id), one.name) for one in accounts.crews() if one.is_active]
        stations = fleet.station_rows().count()
    sent = {filled: request.POST} if filled else {}
    first = {"country": country, "starts_on": today, "payer": payers[0][0] if payers else ""}
    return {
        "site": FirstSiteForm(sent.get("site"), payers=payers, crews=crews, initial=first, auto_id="site_%s"),
        "rooms": RoomsForm(sent.get("rooms"), initial={"name": _("Ground floor")}, auto_id="rooms_%s"),
        "supplies": SuppliesForm(
            sent.get("supplies"), initial={"model": _("Wall unit")}, auto_id="supplies_%s"
        ),
        "labels": LabelsForm(sent.get("labels"), initial={"count": max(stations, 1)}, auto_id="labels_%s"),
    }


# Where a pointer of a refusal has another name than the field.
_NAMES: dict[str, dict[str, str]] = {
    "labels": {"codes": "count"},
    "supplies": {"nominal_dose_ml_per_day": "lasts_days"},
}


def _add_site(request: OperatorRequest, values: dict[str, Any]) -> HttpResponse | None:
    with tenancy.reading(request.actor):
        codes = [accounts.next_number(kind) for kind in ("customer", "site", "agreement")]
    new = {"code": codes[0], "name": values["customer"], "country": values["country"]}
    places.add_place(
        actor=request.actor,
        customer=UUID(values["payer"]) if values.get("payer") else new,
        site={
            "code": codes[1],
            "name": values["name"],
            "kind": values["kind"],
            "address": values["address"],
            "crew_id": UUID(values["crew"]) if values["crew"] else None,
            "zone": request.operator.zone,
        },
        agreement={
            "number": codes[2],
            "starts_on": values["starts_on"],
            "anchor_on": values["starts_on"],
            "interval_months": values["interval_months"],
        },
    )
    return None


def _add_rooms(request: OperatorRequest, values: dict[str, Any]) -> HttpResponse | None:
    with tenancy.reading(request.actor):
        site = accounts.site_by_code(first_steps().site)
    fleet_commands.add_restroom_with_fixtures(actor=request.actor, site_id=site.id, **values)
    return None


def _add_supplies(request: OperatorRequest, values: dict[str, Any]) -> HttpResponse | None:
    """Each once: sent again after a refusal, what was made before is used."""
    actor = request.actor
    with tenancy.reading(actor):
        liquid = fleet.liquids().filter(name=values["liquid"]).first()
        model = fleet.unit_models().filter(name=values["model"]).first()
        number = fleet.cartridges().count() + 1
    if liquid is None:
        liquid = fleet_commands.add_liquid(actor=actor, name=values["liquid"], family=values["family"])
    volume = values["volume_ml"]
    dose = (Decimal(volume) / values["lasts_days"]).quantize(_THOUSANDTH, ROUND_HALF_UP)
    fleet_commands.add_cartridge(
        actor=actor,
        code=f"C{volume}" if number == 1 else f"C{volume}-{number}",
        name=values["liquid"],
        liquid_id=liquid.id,
        volume_ml=volume,
        nominal_dose_ml_per_day=dose,
    )
    if model is None:
        reservoir = values["reservoir_ml"]
        fleet_commands.add_unit_model(actor=actor, name=values["model"], reservoir_ml=reservoir)
    return None


def _print_labels(request: OperatorRequest, values: dict[str, Any]) -> HttpResponse | None:
    """On to the sheet that is to be printed."""
    with tenancy.reading(request.actor):
        model = fleet.unit_models().first()
    if model is None:
        raise NotFound(_("There is no model of unit yet. Say first what drips, and in which unit."))
    fleet_commands.print_labels(actor=request.actor, unit_model_id=model.id, count=values["count"])
    return redirect("labels", slug=request.operator.slug)


_DOERS = {"site": _add_site, "rooms": _add_rooms, "supplies": _add_supplies, "labels": _print_labels}


def _show(request: OperatorRequest, *, status: int = 200, **filled: forms.Form) -> HttpResponse:
    with tenancy.reading(request.actor):
        so_far = first_steps()
        site = accounts.site_by_code(so_far.site) if so_far.site else None
    page = {
        "done": so_far.done,
        "left": so_far.left,
        "count": len(STEPS),
        "next": next(iter(filled), so_far.next),
        "site": site,
        **{f"{step}_form": form for step, form in {**_forms(request), **filled}.items()},
    }
    return render(request, "servicing/begin.html", page, status=status)
