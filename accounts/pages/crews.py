"""Crews and their phones."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import queries, tenancy
from accounts.commands import crews as commands
from accounts.commands import operators
from accounts.errors import Refusal
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Choices, Text, say
from accounts.permissions import Permission


class CrewForm(forms.Form):
    name = Text(label=gettext_lazy("Name of the new crew"), max_length=80)


class RenameForm(forms.Form):
    name = Text(label=gettext_lazy("Its name"), max_length=80)


class PhoneForm(forms.Form):
    crew = Choice(label=gettext_lazy("Crew that carries it"))
    label = Text(
        label=gettext_lazy("Name of the phone"),
        max_length=80,
        help_text=gettext_lazy("As the crew knows it, such as Van 2."),
    )

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].choices = crews  # type: ignore[attr-defined]


class StopForm(forms.Form):
    sites_to = Choice(label=gettext_lazy("Its sites go to"), required=False)

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["sites_to"].choices = [("", "-"), *crews]  # type: ignore[attr-defined]


@operator_page(Permission.CREWS_MANAGE)
def crews(request: OperatorRequest) -> HttpResponse:
    return _crews(request)


@operator_page(Permission.CREWS_MANAGE, "GET", "HEAD", "POST")
def add_crew(request: OperatorRequest) -> HttpResponse:
    form = CrewForm(request.POST if request.method == "POST" else None)
    if not form.is_bound:
        return _crews(request)
    if form.is_valid():
        try:
            operators.add_crew(actor=request.actor, name=form.cleaned_data["name"])
        except Refusal as refusal:
            say(form, refusal)
            return _crews(request, crew_form=form, status=refusal.status)
        return redirect("crews-set-up", slug=request.operator.slug)
    return _crews(request, crew_form=form, status=422)


@operator_page(Permission.DEVICES_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def register_phone(request: OperatorRequest) -> HttpResponse:
    """The token stands on this one answer and is kept nowhere in readable form."""
    if request.method != "POST":
        return _crews(request)
    form = PhoneForm(request.POST, crews=_at_work(request))
    if not form.is_valid():
        return _crews(request, phone_form=form, status=422)
    device, token = operators.register_device(
        actor=request.actor, crew_id=UUID(form.cleaned_data["crew"]), label=form.cleaned_data["label"]
    )
    return render(request, "accounts/phone_token.html", {"device": device, "token": token})


@operator_page(Permission.DEVICES_MANAGE, "POST")
def revoke_phone(request: OperatorRequest, device_id: UUID) -> HttpResponse:
    operators.revoke_device(actor=request.actor, device_id=device_id)
    return redirect("crews-set-up", slug=request.operator.slug)


@operator_page(Permission.CREWS_MANAGE, "GET", "HEAD", "POST")
def crew(request: OperatorRequest, crew_id: UUID) -> HttpResponse:
    """One crew: its name, and the end of its work or its beginning again."""
    with tenancy.reading(request.actor):
        found = queries.get_crew(crew_id)
    form = RenameForm(request.POST if request.method == "POST" else None, initial={"name": found.name})
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                commands.rename_crew(actor=request.actor, crew_id=crew_id, name=form.cleaned_data["name"])
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("crews-set-up", slug=request.operator.slug)
    return _crew(request, crew_id, form=form, status=status)


@operator_page(Permission.CREWS_MANAGE, "POST")
def stop_crew(request: OperatorRequest, crew_id: UUID) -> HttpResponse:
    form = StopForm(request.POST, crews=_at_work(request, crew_id))
    if not form.is_valid():
        return _crew(request, crew_id, stop_form=form, status=422)
    heir = form.cleaned_data["sites_to"]
    try:
        commands.stop_crew(actor=request.actor, crew_id=crew_id, sites_to=UUID(heir) if heir else None)
    except Refusal as refusal:
        say(form, refusal)
        return _crew(request, crew_id, stop_form=form, status=refusal.status)
    return redirect("crews-set-up", slug=request.operator.slug)


@operator_page(Permission.CREWS_MANAGE, "POST")
def resume_crew(request: OperatorRequest, crew_id: UUID) -> HttpResponse:
    commands.resume_crew(actor=request.actor, crew_id=crew_id)
    return redirect("crews-set-up", slug=request.operator.slug)


def _at_work(request: OperatorRequest, but: UUID | None = None) -> Choices:
    with tenancy.reading(request.actor):
        return [(str(one.id), one.name) for one in queries.crews() if one.is_active and one.id != but]


def _crews(request: OperatorRequest, *, status: int = 200, **filled: forms.Form) -> HttpResponse:
    with tenancy.reading(request.actor):
        found, members = list(queries.crews()), list(queries.members())
        devices = [device for device in queries.devices() if device.kind == "phone"]
    at_work = [(str(one.id), one.name) for one in found if one.is_active]
    page = {
        "crews": [
            {
                "crew": one,
                "members": [m.name for m in members if m.crew_id == one.id and m.is_active],
                "devices": [device for device in devices if device.crew_id == one.id],
            }
            for one in found
        ],
        "at_work": len(at_work),
        "phones": sum(device.revoked_at is None for device in devices),
        "crew_form": CrewForm(),
        "phone_form": PhoneForm(crews=at_work),
        **filled,
    }
    return render(request, "accounts/crews.html", page, status=status)


def _crew(request: OperatorRequest, crew_id: UUID, *, status: int, **filled: forms.Form) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.get_crew(crew_id)
        sites = queries.sites_of_crew(crew_id)
    page = {
        "crew": found,
        "sites": sites,
        "form": RenameForm(initial={"name": found.name}),
        "stop_form": StopForm(crews=_at_work(request, crew_id)),
        **filled,
    }
    return render(request, "accounts/crew.html", page, status=status)
