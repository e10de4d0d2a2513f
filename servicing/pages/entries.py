"""Codes that open a site: the office sets them and sees who was shown one; the crew of the day has them shown."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables

from accounts import clock, tenancy
from accounts.errors import NotFound, Refusal
from accounts.languages import _
from accounts.pages import TO_ACT, OperatorRequest, operator_page
from accounts.pages.fields import Text, say
from accounts.permissions import Permission
from servicing.commands import entries as commands
from servicing.commands.entries import Shown
from servicing.pages.sites import site_by_code
from servicing.queries import entries
from servicing.rules.entries import MOST_CODE, MOST_LABEL

if TYPE_CHECKING:
    from accounts.models import Site


class CodeForm(forms.Form):
    label = Text(
        label=gettext_lazy("What it opens"),
        max_length=MOST_LABEL,
        help_text=gettext_lazy(
            "Such as: Key box, Alarm, Yard gate. The same again replaces the code that is kept."
        ),
    )
    code = Text(
        label=gettext_lazy("The code"),
        max_length=MOST_CODE,
        help_text=gettext_lazy("Check it now: it is sealed, and nobody in the office can have it read back."),
        attrs={"spellcheck": "false", "autocapitalize": "off"},
    )


@sensitive_post_parameters("code")
@operator_page(Permission.ENTRIES_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def codes(request: OperatorRequest, code: str) -> HttpResponse:
    """The codes of a site, none of them readable, and who was shown one; POST keeps one."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
    if request.method != "POST":
        return _show_codes(request, site, CodeForm(initial={"label": request.GET.get("label", "")}))
    form = CodeForm(request.POST)
    if not form.is_valid():
        return _show_codes(request, site, form, status=422)
    try:
        commands.set_code(actor=request.actor, site_id=site.id, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show_codes(request, site, form, status=refusal.status)
    return _back_to_codes(request, site, "kept")


@operator_page(Permission.ENTRIES_MANAGE, "POST", recent=True)
def strike(request: OperatorRequest, code: str, code_id: UUID) -> HttpResponse:
    """Remove a code for good. A second press finds it struck and leaves it so."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
    commands.strike_code(actor=request.actor, site_id=site.id, code_id=code_id)
    return _back_to_codes(request, site, "struck")


def _back_to_codes(request: OperatorRequest, site: Site, done: str) -> HttpResponse:
    return redirect(f"{reverse('entry-codes', args=[request.operator.slug, site.code])}?done={done}")


def _show_codes(request: OperatorRequest, site: Site, form: CodeForm, *, status: int = 200) -> HttpResponse:
    with tenancy.reading(request.actor):
        page = {
            "site": site,
            "lines": entries.code_lines(site.id),
            "showings": entries.showings_at(site.id),
            "form": form,
            "done": request.GET.get("done", "") if status == HttpResponse.status_code else "",
            "may_manage_site": request.actor.may(Permission.SITES_MANAGE),
        }
    return render(request, "servicing/entry_codes.html", page, status=status)


@sensitive_variables("shown")
@operator_page(Permission.ENTRIES_SHOW, "GET", "HEAD", "POST")
def show(request: OperatorRequest, code: str) -> HttpResponse:
    """What there is to be shown today; POST shows one. The code stands in this one answer, which is kept nowhere."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
    if request.method != "POST":
        return _show_labels(request, site)
    try:
        code_id = UUID(request.POST.get("which", ""))
    except ValueError:
        raise NotFound(_("There is no such code at this site (any more).")) from None
    try:
        shown = commands.show_code(actor=request.actor, site_id=site.id, code_id=code_id)
    except Refusal as refusal:
        return _show_labels(request, site, refusal=refusal)
    return _show_labels(request, site, shown=shown)


@sensitive_variables("shown")
def _show_labels(
    request: OperatorRequest, site: Site, *, shown: Shown | None = None, refusal: Refusal | None = None
) -> HttpResponse:
    with tenancy.reading(request.actor):
        plan = entries.visit_on(request.actor, site)
        page = {
            "site": site,
            "plan": plan,
            "today": clock.today(site.zone),
            # What a site has to open is not told to those who don't go there either.
            "codes": list(entries.codes_of(site.id)) if plan else [],
            "shown": shown,
            "refusal": refusal,
            "may_record": request.actor.may(Permission.EVENTS_RECORD),
        }
    response = render(request, "servicing/entry.html", page, status=refusal.status if refusal else 200)
    if refusal is not None and hasattr(refusal, "retry_after_seconds"):
        response["Retry-After"] = str(refusal.retry_after_seconds)
    return response
