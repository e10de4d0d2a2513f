"""The operator's own set-up: crews, phones and the values of the due and wick rules."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, queries, tenancy
from accounts.commands import operators
from accounts.errors import Refusal
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission


class CrewForm(forms.Form):
    name = forms.CharField(label="Name of the new crew", max_length=80)


class PhoneForm(forms.Form):
    crew = forms.ChoiceField(label="Crew that carries it")
    label = forms.CharField(
        label="Name of the phone", max_length=80, help_text="As the crew knows it, such as Van 2."
    )

    def __init__(self, *args: Any, crews: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"] = forms.ChoiceField(label="Crew that carries it", choices=crews)


def _decimal(name: str, places: int, label: str) -> forms.DecimalField:
    least, most = operators.RULES[name]
    return forms.DecimalField(label=label, min_value=least, max_value=most, decimal_places=places)


class RulesForm(forms.Form):
    effective_from = forms.DateField(
        label="In force from",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="A day from today on.",
    )
    long_past_days = forms.IntegerField(label="Long past: days past grace", min_value=1, max_value=365)
    dry_soon_days = forms.IntegerField(label="Dry soon: days before the dry date", min_value=1, max_value=60)
    wick_watch_days = forms.IntegerField(label="Wick watch: age in days", min_value=1, max_value=3_650)
    wick_limit_days = forms.IntegerField(label="Wick change: age in days", min_value=1, max_value=3_650)
    dry_target = _decimal("dry_target", 3, "Dry before the visit: greatest chance, such as 0.1 for 1 in 10")
    false_alarms_per_1000 = _decimal(
        "false_alarms_per_1000", 2, "False warnings of the output: in 1,000 visits"
    )
    wick_change_cost = _decimal("wick_change_cost", 2, "Cost of a wick changed in time")
    wick_failure_cost = _decimal("wick_failure_cost", 2, "Cost of a wick that fails")
    wick_down_day_cost = _decimal("wick_down_day_cost", 2, "Cost of a day with a failed wick")
    wick_wash_cost = _decimal("wick_wash_cost", 2, "Cost of washing a wick")


@operator_page(Permission.DEVICES_MANAGE)
def set_up(request: OperatorRequest) -> HttpResponse:
    return _set_up(request)


@operator_page(Permission.CREWS_MANAGE, "POST")
def add_crew(request: OperatorRequest) -> HttpResponse:
    form = CrewForm(request.POST)
    if not form.is_valid():
        return _set_up(request, crew_form=form, status=422)
    operators.add_crew(actor=request.actor, name=form.cleaned_data["name"])
    return redirect("set-up", slug=request.operator.slug)


@operator_page(Permission.DEVICES_MANAGE, "POST")
def register_phone(request: OperatorRequest) -> HttpResponse:
    """The token stands on this one answer and is kept nowhere in readable form."""
    form = PhoneForm(request.POST, crews=_crew_choices(request))
    if not form.is_valid():
        return _set_up(request, phone_form=form, status=422)
    device, token = operators.register_device(
        actor=request.actor, crew_id=UUID(form.cleaned_data["crew"]), label=form.cleaned_data["label"]
    )
    return render(request, "accounts/phone_token.html", {"device": device, "token": token})


@operator_page(Permission.DEVICES_MANAGE, "POST")
def revoke_phone(request: OperatorRequest, device_id: UUID) -> HttpResponse:
    operators.revoke_device(actor=request.actor, device_id=device_id)
    return redirect("set-up", slug=request.operator.slug)


@operator_page(Permission.OPERATOR_MANAGE, "POST")
def set_service_rules(request: OperatorRequest) -> HttpResponse:
    form = RulesForm(request.POST)
    if form.is_valid() and form.cleaned_data["effective_from"] < clock.today(request.operator.zone):
        form.add_error(
            "effective_from", "Values can't change what was said on past days. Choose today or later."
        )
    if not form.is_valid():
        return _set_up(request, rules_form=form, status=422)
    try:
        operators.set_service_rules(actor=request.actor, **form.cleaned_data)
    except Refusal as refusal:
        form.add_error(None, refusal.detail)
        return _set_up(request, rules_form=form, status=refusal.status)
    return redirect("set-up", slug=request.operator.slug)


def _crew_choices(request: OperatorRequest) -> list[tuple[str, str]]:
    with tenancy.reading(request.actor):
        return [(str(crew.id), crew.name) for crew in queries.crews() if crew.is_active]


def _set_up(request: OperatorRequest, *, status: int = 200, **filled: forms.Form) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        crews, members = list(queries.crews()), list(queries.members())
        devices = [device for device in queries.devices() if device.kind == "phone"]
        rules, in_force = queries.service_rules(), queries.service_rules_on(today)
    initial = {name: getattr(in_force, name) for name in operators.RULES} | {"effective_from": today}
    page = {
        "crews": [
            {
                "crew": crew,
                "members": [member for member in members if member.crew_id == crew.id],
                "devices": [device for device in devices if device.crew_id == crew.id],
            }
            for crew in crews
        ],
        "office": [member for member in members if member.crew_id is None],
        "phones": sum(device.revoked_at is None for device in devices),
        "rules": rules,
        "in_force": in_force,
        "crew_form": CrewForm(),
        "phone_form": PhoneForm(crews=[(str(crew.id), crew.name) for crew in crews if crew.is_active]),
        "rules_form": RulesForm(initial=initial),
        "may_erase_texts": request.actor.may(Permission.TEXTS_ERASE),
        "may_set_rules": request.actor.may(Permission.OPERATOR_MANAGE),
        **filled,
    }
    return render(request, "accounts/set_up.html", page, status=status)
