"""The restrooms of a site and the stations in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import queries as accounts
from accounts import tenancy
from accounts.errors import NotFound, Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Text, WholeNumber, say, words_of
from accounts.permissions import Permission
from fleet import commands, queries
from fleet.rules.fixtures import MOST_AT_ONCE

# From a site to the codes of the units that hang there, by station; given by whoever puts the page at its address.
HangingAt = Callable[[UUID], Mapping[UUID, str]]

FIXTURES = [("urinal", N_("Urinal")), ("water_closet", N_("Water closet"))]


def _fixtures(label: Any) -> WholeNumber:
    return WholeNumber(label=label, least=0, most=MOST_AT_ONCE, required=False)


class RoomForm(forms.Form):
    name = Text(
        label=gettext_lazy("Name of the restroom"),
        max_length=120,
        help_text=gettext_lazy("As people at the site find it, such as Ground floor, men."),
    )
    urinals = _fixtures(gettext_lazy("Urinals in it"))
    water_closets = _fixtures(gettext_lazy("Water closets in it"))


class FixturesForm(forms.Form):
    urinals = _fixtures(gettext_lazy("More urinals"))
    water_closets = _fixtures(gettext_lazy("More water closets"))


class StationForm(forms.Form):
    name = Text(label=gettext_lazy("Name of the station"), max_length=80)
    fixture = Choice(label=gettext_lazy("Above which fixture"), choices=lambda: words_of(FIXTURES))


class NameForm(forms.Form):
    name = Text(label=gettext_lazy("New name"), max_length=120)


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def rooms(request: OperatorRequest, code: str, hanging_at: HangingAt) -> HttpResponse:
    """All restrooms of a site; a form adds one with its stations."""
    with tenancy.reading(request.actor):
        site = _site(code)
    if request.method != "POST":
        return _show(request, site, hanging_at, RoomForm())
    form = RoomForm(request.POST)
    if form.is_valid():
        try:
            commands.add_restroom_with_fixtures(actor=request.actor, site_id=site.id, **_given(form))
        except Refusal as refusal:
            say(form, refusal)
            return _show(request, site, hanging_at, form, status=refusal.status)
        return redirect(f"{reverse('site-rooms', args=[request.operator.slug, code])}?done=room")
    return _show(request, site, hanging_at, form, status=422)


def _given(form: forms.Form) -> dict[str, Any]:
    return {name: value for name, value in form.cleaned_data.items() if value is not None}


def _site(code: str) -> Any:
    found = accounts.sites().filter(code=code).first()
    if found is None:
        raise NotFound(
            _("There is no site here with this code. Look for it by its name in the list of sites.")
        )
    return found


def _show(
    request: OperatorRequest, site: Any, hanging_at: HangingAt, form: forms.Form, *, status: int = 200
) -> HttpResponse:
    with tenancy.reading(request.actor):
        found, hanging = queries.rooms_of_site(site.id), hanging_at(site.id)
    stations = sum(len(room.stations) for room in found)
    page = {
        "site": site,
        "rooms": [
            (room, [(place, hanging.get(place.station_id, "")) for place in room.stations]) for room in found
        ],
        "stations": stations,
        "empty": stations - sum(place.station_id in hanging for room in found for place in room.stations),
        "form": form,
        "may_install": request.actor.may(Permission.EVENTS_RECORD),
        "done": _("The restroom is added.") if request.GET.get("done") == "room" else "",
    }
    return render(request, "fleet/rooms.html", page, status=status)


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def room(request: OperatorRequest, code: str, restroom_id: UUID) -> HttpResponse:
    """One restroom: another name, more stations."""
    with tenancy.reading(request.actor):
        site, restroom = _site(code), queries.get_restroom(restroom_id)
        _refuse_elsewhere(restroom.site_id == site.id)
        stations = [place for place in queries.stations_of_site(site.id) if place.restroom_id == restroom_id]
    blank: dict[str, forms.Form] = {
        "fixtures_form": FixturesForm(prefix="fixtures"),
        "station_form": StationForm(prefix="station"),
        "name_form": NameForm(prefix="room", initial={"name": restroom.name}),
    }
    page = {"site": site, "restroom": restroom, "stations": stations, **blank}
    if request.method != "POST":
        return render(request, "fleet/room.html", page)
    name = f"{request.POST.get('what', '')}_form"
    if name not in blank:
        return render(request, "fleet/room.html", page, status=422)
    form = type(blank[name])(request.POST, prefix=blank[name].prefix)
    if form.is_valid():
        try:
            _change_room(request, restroom_id, name, form)
        except Refusal as refusal:
            say(form, refusal)
        else:
            return redirect("site-rooms", slug=request.operator.slug, code=code)
    return render(request, "fleet/room.html", {**page, name: form}, status=422)


def _change_room(request: OperatorRequest, restroom_id: UUID, name: str, form: forms.Form) -> None:
    values, actor = _given(form), request.actor
    if name == "fixtures_form":
        commands.add_fixtures(actor=actor, restroom_id=restroom_id, **values)
    elif name == "station_form":
        commands.add_stations(actor=actor, stations=[{"restroom_id": restroom_id, **values}])
    else:
        commands.rename_restroom(actor=actor, restroom_id=restroom_id, **values)


def _refuse_elsewhere(is_here: bool) -> None:  # noqa: FBT001 - says of itself what it is
    if not is_here:
        raise NotFound(_("There is nothing of this site at this address."))


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def station(request: OperatorRequest, code: str, station_id: UUID) -> HttpResponse:
    """One station: another name."""
    with tenancy.reading(request.actor):
        site, place = _site(code), queries.get_station(station_id)
        _refuse_elsewhere(place.restroom.site_id == site.id)
        page = {"site": site, "place": place, "restroom": place.restroom}
    if request.method != "POST":
        form = NameForm(initial={"name": place.name})
        return render(request, "fleet/station.html", {**page, "form": form})
    form = NameForm(request.POST)
    if form.is_valid():
        try:
            commands.rename_station(actor=request.actor, station_id=station_id, **form.cleaned_data)
        except Refusal as refusal:
            say(form, refusal)
        else:
            return redirect("site-rooms", slug=request.operator.slug, code=code)
    return render(request, "fleet/station.html", {**page, "form": form}, status=422)
