"""The service agreements of a site: a new one, its end, and other terms from a day on."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, queries, tenancy
from accounts.commands import customers as commands
from accounts.errors import NotFound, Refusal
from accounts.languages import _
from accounts.models import ServiceAgreement, Site
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import say
from accounts.pages.site_forms import AgreementForm, EndForm
from accounts.permissions import Permission

TERMS = ("interval_months", "grace_before_days", "grace_after_days")


@operator_page(Permission.AGREEMENTS_MANAGE, "GET", "HEAD", "POST")
def add_agreement(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.site_by_code(code)
        number = queries.next_number("agreement")
    today = clock.today(found.zone)
    initial = {"number": number, "starts_on": today, "anchor_on": today, **usual_terms()}
    form = AgreementForm(request.POST if request.method == "POST" else None, initial=initial)
    if not form.is_bound:
        return _show(request, found, form)
    if not form.is_valid():
        return _show(request, found, form, status=422)
    try:
        row = {"site_id": found.id, **form.cleaned_data}
        commands.add_agreements(actor=request.actor, agreements=[row])
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, found, form, status=refusal.status)
    return redirect("site-set-up", slug=request.operator.slug, code=code)


def usual_terms() -> dict[str, int]:
    """What an agreement has unless said otherwise."""
    usual = ServiceAgreement()
    return {name: getattr(usual, name) for name in TERMS}


@operator_page(Permission.AGREEMENTS_MANAGE, "GET", "HEAD", "POST")
def follow_agreement(request: OperatorRequest, code: str, agreement_id: UUID) -> HttpResponse:
    """Other terms: this agreement ends where the next begins. The form begins with those in force."""
    found, before = _agreement(request, code, agreement_id)
    with tenancy.reading(request.actor):
        number = queries.next_number("agreement")
    first = max(clock.today(found.zone), before.starts_on + timedelta(days=1))
    initial = {
        "number": number,
        "starts_on": before.ends_on or first,
        "anchor_on": before.anchor_on,
        **{name: getattr(before, name) for name in TERMS},
    }
    form = AgreementForm(request.POST if request.method == "POST" else None, initial=initial)
    if not form.is_bound:
        return _show(request, found, form, before)
    if not form.is_valid():
        return _show(request, found, form, before, status=422)
    try:
        commands.follow_agreement(actor=request.actor, agreement_id=agreement_id, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, found, form, before, status=refusal.status)
    return redirect("site-set-up", slug=request.operator.slug, code=code)


@operator_page(Permission.AGREEMENTS_MANAGE, "GET", "HEAD", "POST")
def end_agreement(request: OperatorRequest, code: str, agreement_id: UUID) -> HttpResponse:
    found, agreement = _agreement(request, code, agreement_id)
    form = EndForm(
        request.POST if request.method == "POST" else None, initial={"last_day": clock.today(found.zone)}
    )
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            first_without = form.cleaned_data["last_day"] + timedelta(days=1)
            try:
                commands.end_agreement(actor=request.actor, agreement_id=agreement_id, ends_on=first_without)
            except Refusal as refusal:
                say(form, refusal, {"ends_on": "last_day"})
                status = refusal.status
            else:
                return redirect("site-set-up", slug=request.operator.slug, code=code)
    page = {"site": found, "agreement": agreement, "form": form}
    return render(request, "accounts/end_agreement.html", page, status=status)


def _agreement(request: OperatorRequest, code: str, agreement_id: UUID) -> tuple[Site, ServiceAgreement]:
    """An agreement of the site that the address names; NotFound for another's."""
    with tenancy.reading(request.actor):
        found = queries.site_by_code(code)
        agreement = queries.get_agreement(agreement_id)
    if agreement.site_id != found.id:
        raise NotFound(_("This agreement is another site's."))
    return found, agreement


def _show(
    request: OperatorRequest,
    found: Site,
    form: forms.Form,
    before: ServiceAgreement | None = None,
    *,
    status: int = 200,
) -> HttpResponse:
    page: dict[str, Any] = {"site": found, "form": form, "before": before}
    return render(request, "accounts/agreement.html", page, status=status)
