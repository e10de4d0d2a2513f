"""Standstills: those that last or are to come, and the forms by which one begins, ends and is undone."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

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
from accounts.pages import DayField, OperatorRequest, operator_page, say
from accounts.pages.fields import Choice, words_of
from accounts.permissions import Permission
from servicing.commands import office, standstills
from servicing.queries import fleet_state

if TYPE_CHECKING:
    from accounts.models import Site
    from servicing.models import Standstill

BILLING = {
    "full": N_("Billed in full, as if there were none"),
    "half": N_("Billed by half"),
    "none": N_("Not billed"),
}
BILLED = {"full": N_("billed in full"), "half": N_("billed by half"), "none": N_("not billed")}


class BeginForm(forms.Form):
    id = forms.UUIDField(widget=forms.HiddenInput)
    starts_on = DayField(label=gettext_lazy("First day without service"))
    ends_on = DayField(
        label=gettext_lazy("Last day without service"),
        required=False,
        help_text=gettext_lazy("Empty: until further notice."),
    )
    billing = Choice(label=gettext_lazy("How it is billed"), choices=lambda: words_of(BILLING.items()))


class EndForm(forms.Form):
    last_day = DayField(label=gettext_lazy("Last day without service"))


@operator_page(Permission.EVENTS_RECORD)
def standstill_list(request: OperatorRequest) -> HttpResponse:
    """All that last today or are to come, the next to end first."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        found = list(fleet_state.standstills_from(today))
        sites = accounts.sites_in([one.site_id for one in found])
        has_sites = accounts.sites().exists()
    rows = [(one, sites[one.site_id], _(BILLED[one.billing]), one.starts_on <= today) for one in found]
    page = {
        "rows": rows,
        "now": len({one.site_id for one in found if one.starts_on <= today}),
        "has_sites": has_sites,
    }
    return render(request, "servicing/standstills.html", page)


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def begin(request: OperatorRequest, code: str) -> HttpResponse:
    """The event's id is made with the form, so that sending it twice records it once."""
    with tenancy.reading(request.actor):
        site = accounts.site_by_code(code)
    initial = {"id": uuid7(), "starts_on": clock.today(site.zone), "billing": "none"}
    form = BeginForm(request.POST if request.method == "POST" else None, initial=initial)
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                office.begin_standstill(actor=request.actor, site_id=site.id, **form.cleaned_data)
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("begin-standstill", slug=request.operator.slug, code=code)
    return _show(request, site, form, status=status)


@operator_page(Permission.EVENTS_RECORD, "GET", "HEAD", "POST")
def end(request: OperatorRequest, code: str, event_id: UUID) -> HttpResponse:
    site, pause = _standstill(request, code, event_id)
    last = max(clock.today(site.zone), pause.starts_on)
    form = EndForm(request.POST if request.method == "POST" else None, initial={"last_day": last})
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                standstills.end_standstill(
                    actor=request.actor, site_id=site.id, standstill_id=event_id, **form.cleaned_data
                )
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("begin-standstill", slug=request.operator.slug, code=code)
    page = {"site": site, "pause": pause, "form": form}
    return render(request, "servicing/end_standstill.html", page, status=status)


@operator_page(Permission.EVENTS_COUNTER, "POST")
def undo(request: OperatorRequest, code: str, event_id: UUID) -> HttpResponse:
    """A standstill that never was: a counter-event takes it away, what was billed on it too."""
    _standstill(request, code, event_id)
    office.counter_event(actor=request.actor, event_id=event_id, reason="wrong_entry")
    return redirect(reverse("begin-standstill", args=[request.operator.slug, code]))


def _standstill(request: OperatorRequest, code: str, event_id: UUID) -> tuple[Site, Standstill]:
    with tenancy.reading(request.actor):
        site = accounts.site_by_code(code)
        pause = fleet_state.standstills_of(site.id).filter(event_id=event_id).first()
    if pause is None:
        raise NotFound(_("There is no such standstill here. It may have been undone meanwhile."))
    return site, pause


def _show(request: OperatorRequest, site: Site, form: BeginForm, *, status: int) -> HttpResponse:
    today = clock.today(site.zone)
    with tenancy.reading(request.actor):
        found = list(fleet_state.standstills_of(site.id))
    page = {
        "site": site,
        "form": form,
        "rows": [(one, _(BILLED[one.billing]), one.ends_on is None or one.ends_on >= today) for one in found],
        "may_undo": request.actor.may(Permission.EVENTS_COUNTER),
    }
    return render(request, "servicing/begin_standstill.html", page, status=status)
