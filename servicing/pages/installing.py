"""Forms that put a unit up, move it and take it down, with what is to be minded before."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import NotFound, Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Choices, Text, VolumeField, say, words_of
from accounts.permissions import Permission
from accounts.phrases import volume
from fleet import queries as fleet
from fleet.queries import StationPlace
from servicing.commands import installing
from servicing.commands.installing import Work
from servicing.events.fields import MAX_ML
from servicing.pages.sites import site_by_code
from servicing.pages.wording import BOWL_PRODUCTS
from servicing.queries import fleet_state, hanging
from servicing.queries.units import unit_ids_beyond_printing

if TYPE_CHECKING:
    from accounts.models import Site

MOST_SUGGESTED = 200
UNKNOWN = "unknown"
WICKS = [("new", N_("New")), ("unknown", N_("Used, its age is not known"))]
REASONS = [
    ("agreement_ended", N_("The agreement ended")),
    ("replaced", N_("Replaced by another unit")),
    ("damaged", N_("Damaged")),
    ("missing", N_("Missing")),
    ("site_closed", N_("The site closed")),
    ("other", N_("Another reason")),
]


class WorkForm(forms.Form):
    """When it was done, in the site's own time. ``work`` is made when the form is first shown."""

    work = forms.UUIDField(widget=forms.HiddenInput)
    at = forms.DateTimeField(
        label=gettext_lazy("When"),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        help_text=gettext_lazy("In the site's own time."),
        error_messages=dict.fromkeys(
            ("required", "invalid"), gettext_lazy("Enter the day and the time when it was done.")
        ),
    )

    def __init__(self, *args: Any, zone: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = ZoneInfo(zone)
        now = clock.now().astimezone(self.zone).replace(second=0, microsecond=0, tzinfo=None)
        self.initial = {"work": uuid7(), "at": now, **self.initial}

    def clean_at(self) -> datetime:
        typed: datetime = self.cleaned_data["at"]
        return typed.replace(tzinfo=self.zone)

    def work_on(self, unit_id: UUID) -> Work:
        values = self.cleaned_data
        product = values.get("bowl_product") or UNKNOWN
        return Work(values["work"], unit_id, values["at"], None if product == UNKNOWN else product)


class PlacedForm(WorkForm):
    """With the station, and what the site's cleaners use in the fixture there."""

    def __init__(self, *args: Any, places: list[StationPlace], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["station"] = Choice(label=_("Station"), choices=station_choices(places))
        self.fields["bowl_product"] = Choice(
            label=_("What do the site's cleaners use in this fixture?"),
            help_text=_("Ask them, and read the label of what they name."),
            choices=[
                ("", _("Choose")),
                *words_of(BOWL_PRODUCTS.items()),
                (UNKNOWN, _("nobody could say")),
            ],
        )


class InstallForm(PlacedForm):
    def __init__(self, *args: Any, cartridges: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["label"] = Text(
            label=_("Label of the unit"),
            max_length=20,
            help_text=_("Its nine characters, typed or chosen."),
            attrs={"list": "waiting", "autocapitalize": "characters", "spellcheck": "false"},
        )
        self.fields["cartridge"] = Choice(label=_("Cartridge put in"), choices=cartridges)
        self.fields["charge"] = VolumeField(
            label=_("Liquid in it"),
            required=False,
            least_ml=1,
            most_ml=MAX_ML,
            help_text=_("Empty: the cartridge is full."),
        )
        self.fields["wick"] = Choice(label=_("Wick"), choices=words_of(WICKS))


class WithdrawForm(WorkForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"] = Choice(label=_("Why"), choices=[("", _("Choose")), *words_of(REASONS)])


def station_choices(places: list[StationPlace]) -> list[tuple[str, Any]]:
    """By restroom, as groups of a list."""
    rooms: dict[str, list[tuple[str, str]]] = {}
    for place in places:
        rooms.setdefault(place.restroom, []).append((str(place.station_id), place.station))
    return [("", _("Choose")), *rooms.items()]


def _only(places: list[StationPlace]) -> str:
    """The one empty station; where there are several nobody is led to the first."""
    return str(places[0].station_id) if len(places) == 1 else ""


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def install(request: OperatorRequest, code: str) -> HttpResponse:
    """A unit goes up at an empty station of a site."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
        page = _install_page(site)
        page["places"] = _places(request, site.id)
    cartridges = {str(one.id): one for one in page["cartridges"]}
    choices: dict[str, Any] = {
        "zone": site.zone,
        "places": page["places"],
        "cartridges": [
            (key, f"{one.name} ({one.liquid.name}, {volume(one.volume_ml)})")
            for key, one in cartridges.items()
        ],
    }
    if request.method != "POST":
        asked = {
            "station": request.GET.get("station") or _only(page["places"]),
            "cartridge": page["usual_cartridge"],
            "wick": "new",
        }
        return _show(request, "install", InstallForm(initial=asked, **choices), page)
    form = InstallForm(request.POST, **choices)
    if form.is_valid():
        values = form.cleaned_data
        cartridge = cartridges[values["cartridge"]]
        try:
            unit_id = _unit_id(request, values["label"])
            installing.install_unit(
                actor=request.actor,
                work=form.work_on(unit_id),
                station_id=UUID(values["station"]),
                cartridge_id=cartridge.id,
                charge_ml=values["charge"] or cartridge.volume_ml,
                wick=values["wick"],
            )
        except Refusal as refusal:
            return _refused(request, "install", form, page, refusal)
        return _onward(request, code, values["label"])
    return _show(request, "install", form, page, status=422)


def _install_page(site: Site) -> dict[str, Any]:
    cartridges = list(fleet.cartridges())
    views = fleet_state.units_of_site(site.id)
    used = Counter(view.history.cartridge_id for view in views if view.history.cartridge_id)
    waiting = list(fleet.waiting_codes(unit_ids_beyond_printing())[:MOST_SUGGESTED])
    usual = [name for name, _count in used.most_common(1)]
    return {
        "site": site,
        "station_count": len(fleet.stations_of_site(site.id)),
        "waiting": waiting,
        "cartridges": cartridges,
        "usual_cartridge": usual[0] if usual else "",
        "cautions": _cautions([one.liquid for one in cartridges]),
        "has_acid": any(one.liquid.family == "acid" for one in cartridges),
    }


def _places(request: OperatorRequest, site_id: UUID) -> list[StationPlace]:
    """The empty stations of a site, and the one that a form names: sent again it finds its unit there."""
    taken, named = hanging.codes_at_site(site_id), request.POST.get("station", "")
    return [
        place
        for place in fleet.stations_of_site(site_id)
        if place.station_id not in taken or str(place.station_id) == named
    ]


def _cautions(liquids: list[Any]) -> list[Any]:
    """Each liquid once that has a caution of its own."""
    return list({one.id: one for one in liquids if one.caution}.values())


def _unit_id(request: OperatorRequest, label: str) -> UUID:
    with tenancy.reading(request.actor):
        return fleet.unit_by_code(label).id


def _onward(request: OperatorRequest, code: str, label: str) -> HttpResponse:
    """To the next empty station, or to the site when every station has its unit."""
    with tenancy.reading(request.actor):
        unit = fleet.unit_by_code(label)
        has_more = bool(hanging.empty_stations(site_by_code(code).id))
    if not has_more:
        return redirect("site", slug=request.operator.slug, code=code)
    address = reverse("install-unit", args=[request.operator.slug, code])
    return redirect(f"{address}?{urlencode({'done': unit.code})}")


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def move(request: OperatorRequest, code: str) -> HttpResponse:
    """A unit goes to another station, of its own site or of the one that is asked for."""
    asked = request.GET.get("site", "")
    with tenancy.reading(request.actor):
        page = _unit_page(request, code)
        site, problem = site_asked(asked) if asked else (page["site"], "")
        cartridge = page["cartridge"]
        page |= {
            "to": site,
            "asked": asked,
            "site_problem": problem,
            "places": _places(request, site.id) if site else [],
            "cautions": _cautions([cartridge.liquid] if cartridge else []),
            "has_acid": bool(cartridge and cartridge.liquid.family == "acid"),
        }
    choices: dict[str, Any] = {"zone": site.zone if site else page["zone"], "places": page["places"]}
    if request.method != "POST":
        return _show(request, "move_unit", PlacedForm(**choices), page)
    form = PlacedForm(request.POST, **choices)
    if form.is_valid():
        try:
            installing.move_unit(
                actor=request.actor,
                work=form.work_on(page["unit"].id),
                station_id=UUID(form.cleaned_data["station"]),
            )
        except Refusal as refusal:
            return _refused(request, "move_unit", form, page, refusal)
        return redirect("unit", slug=request.operator.slug, code=page["unit"].code)
    return _show(request, "move_unit", form, page, status=422)


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def withdraw(request: OperatorRequest, code: str) -> HttpResponse:
    """A unit is taken down."""
    with tenancy.reading(request.actor):
        page = _unit_page(request, code)
    if request.method != "POST":
        return _show(request, "withdraw", WithdrawForm(zone=page["zone"]), page)
    form = WithdrawForm(request.POST, zone=page["zone"])
    if form.is_valid():
        try:
            installing.withdraw_unit(
                actor=request.actor,
                work=form.work_on(page["unit"].id),
                reason=form.cleaned_data["reason"],
            )
        except Refusal as refusal:
            return _refused(request, "withdraw", form, page, refusal)
        return redirect("unit", slug=request.operator.slug, code=page["unit"].code)
    return _show(request, "withdraw", form, page, status=422)


def _unit_page(request: OperatorRequest, code: str) -> dict[str, Any]:
    unit = fleet.unit_by_code(code)
    view = fleet_state.get_unit_view(unit.id)
    site = accounts.get_site(view.site_id) if view.site_id else None
    cartridge_id = view.history.cartridge_id
    cartridges = {str(one.id): one for one in fleet.cartridges()}
    return {
        "unit": unit,
        "view": view,
        "site": site,
        "zone": site.zone if site else request.operator.zone,
        "cartridge": cartridges.get(cartridge_id or ""),
    }


def site_asked(typed: str) -> tuple[Any, str]:
    """The site of a code or of a part of a name, or why it can't be told."""
    try:
        return site_by_code(typed.strip()), ""
    except NotFound:
        found = list(accounts.sites().filter(name__icontains=typed.strip())[:2])
    if len(found) == 1:
        return found[0], ""
    said = _("Several sites have this in their name. Type more of it, or the code.")
    return None, said if found else _("There is no site of this code or name.")


def _show(
    request: OperatorRequest, name: str, form: forms.Form, page: dict[str, Any], *, status: int = 200
) -> HttpResponse:
    done = request.GET.get("done", "") if request.method != "POST" else ""
    may_set_up = request.actor.may(Permission.FLEET_MANAGE)
    page = {**page, "form": form, "done": done, "may_set_up": may_set_up}
    return render(request, f"servicing/{name}.html", page, status=status)


def _refused(
    request: OperatorRequest, name: str, form: forms.Form, page: dict[str, Any], refusal: Refusal
) -> HttpResponse:
    """What was typed stays, and why it was not taken stands beside it."""
    if isinstance(refusal, NotFound) and not refusal.errors and "label" in form.fields:
        form.add_error("label", refusal.detail)
    else:
        say(form, refusal)
    page |= {"is_blocked": refusal.code == installing.BLOCKED}
    return _show(request, name, form, page, status=refusal.status)
