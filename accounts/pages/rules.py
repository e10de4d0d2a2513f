"""The operator's own values of the due and wick rules."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import clock, queries, tenancy
from accounts.commands import operators
from accounts.errors import Refusal
from accounts.languages import _
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import DayField, WholeNumber, say
from accounts.permissions import Permission


def _whole(name: str, label: Any) -> WholeNumber:
    least, most = operators.RULES[name]
    return WholeNumber(label=label, least=int(least), most=int(most))


def _decimal(name: str, places: int, label: Any) -> forms.DecimalField:
    least, most = operators.RULES[name]
    return forms.DecimalField(label=label, min_value=least, max_value=most, decimal_places=places)


class RulesForm(forms.Form):
    effective_from = DayField(
        label=gettext_lazy("In force from"), help_text=gettext_lazy("A day from today on.")
    )
    long_past_days = _whole("long_past_days", gettext_lazy("Long past: days past grace"))
    dry_soon_days = _whole("dry_soon_days", gettext_lazy("Dry soon: days before the dry date"))
    wick_watch_days = _whole("wick_watch_days", gettext_lazy("Wick watch: age in days"))
    wick_limit_days = _whole("wick_limit_days", gettext_lazy("Wick change: age in days"))
    dry_target = _decimal(
        "dry_target", 3, gettext_lazy("Dry before the visit: greatest chance, such as 0.1 for 1 in 10")
    )
    false_alarms_per_1000 = _decimal(
        "false_alarms_per_1000", 2, gettext_lazy("False warnings of the output: in 1,000 visits")
    )
    wick_change_cost = _decimal("wick_change_cost", 2, gettext_lazy("Cost of a wick changed in time"))
    wick_failure_cost = _decimal("wick_failure_cost", 2, gettext_lazy("Cost of a wick that fails"))
    wick_down_day_cost = _decimal("wick_down_day_cost", 2, gettext_lazy("Cost of a day with a failed wick"))
    wick_wash_cost = _decimal("wick_wash_cost", 2, gettext_lazy("Cost of washing a wick"))


@operator_page(Permission.OPERATOR_MANAGE, "GET", "HEAD", "POST")
def service_rules(request: OperatorRequest) -> HttpResponse:
    """The values in force and to come; others from a day on."""
    if request.method != "POST":
        return _rules(request)
    form = RulesForm(request.POST)
    if form.is_valid() and form.cleaned_data["effective_from"] < clock.today(request.operator.zone):
        past = _("Values can't change what was said on past days. Choose today or later.")
        form.add_error("effective_from", past)
    if not form.is_valid():
        return _rules(request, form, status=422)
    try:
        operators.set_service_rules(actor=request.actor, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _rules(request, form, status=refusal.status)
    return redirect("service-rules", slug=request.operator.slug)


def _rules(request: OperatorRequest, form: RulesForm | None = None, *, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        rules, in_force = queries.service_rules(), queries.service_rules_on(today)
    initial = {name: getattr(in_force, name) for name in operators.RULES} | {"effective_from": today}
    page = {"rules": rules, "in_force": in_force, "form": form or RulesForm(initial=initial)}
    return render(request, "accounts/rules.html", page, status=status)
