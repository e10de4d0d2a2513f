"""Whom of the service an owner lets look, and for how long."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import clock, queries, tenancy
from accounts.commands import support as commands
from accounts.errors import Refusal
from accounts.languages import N_
from accounts.models import SupportGrant
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Choices, Lines, say, words_of
from accounts.permissions import Permission

MOST_PAST = 50
_HOURS = {1: N_("an hour"), 4: N_("four hours"), 24: N_("a day"), 72: N_("three days"), 168: N_("a week")}


def hours() -> Choices:
    return words_of((str(number), _HOURS[number]) for number in commands.HOURS)


class LookForm(forms.Form):
    email = forms.EmailField(
        label=gettext_lazy("E-mail address of the person of the service"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
        error_messages={
            "required": gettext_lazy("Fill this in."),
            "invalid": gettext_lazy("This is no e-mail address."),
        },
    )
    hours = Choice(label=gettext_lazy("For how long"), choices=hours, initial="4")
    reason = Lines(label=gettext_lazy("What they are to look at, and why"), max_length=300, rows=2)


@operator_page(Permission.SUPPORT_GRANT, "GET", "HEAD", "POST", recent=TO_ACT)
def support(request: OperatorRequest) -> HttpResponse:
    """Who may look now, who could before, and the form that lets somebody look."""
    form = LookForm(request.POST if request.method == "POST" else None)
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            values = {**form.cleaned_data, "hours": int(form.cleaned_data["hours"])}
            try:
                commands.grant_support(actor=request.actor, **values)
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("support", slug=request.operator.slug)
    now = clock.now()
    with tenancy.reading(request.actor):
        live = list(queries.live_grants())
        past = [one for one in queries.support_grants()[: MOST_PAST + len(live)] if _end_of(one) <= now]
    page = {"form": form, "live": live, "past": [(one, _end_of(one)) for one in past[:MOST_PAST]]}
    return render(request, "accounts/support.html", page, status=status)


@operator_page(Permission.SUPPORT_GRANT, "POST")
def end_support(request: OperatorRequest, grant_id: UUID) -> HttpResponse:
    commands.end_support(actor=request.actor, grant_id=grant_id)
    return redirect("support", slug=request.operator.slug)


def _end_of(grant: SupportGrant) -> datetime:
    return grant.ended_at or grant.ends_at
