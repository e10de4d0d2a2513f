"""Forms that plan, move and call off visits, and the office's notes. Every page that shows them sends them here.

``next`` names the page of this operator to go on to; a refused form comes back by itself, with what was typed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext_lazy

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, Conflict, Refusal
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.phrases import day as said_day
from servicing.commands import planning
from servicing.pages.sites import site_by_code
from servicing.queries.planning import get_note, get_planned_visit

CALL_OFF_REASONS = {
    "customer": N_("the customer asked for it"),
    "operator": N_("we can't come"),
    "weather": N_("the weather"),
    "other": N_("another reason"),
}
MOST_FOUND = 8
Choices = list[tuple[str, str]]


def crew_choices() -> Choices:
    """Inside an open scope: the crews that work, by name."""
    return [(str(crew.id), crew.name) for crew in accounts.crews().filter(is_active=True)]


def reason_choices() -> Choices:
    return [(value, _(words)) for value, words in CALL_OFF_REASONS.items()]


class DayField(forms.DateField):
    def __init__(self, **kwargs: Any) -> None:
        widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        wrong = dict.fromkeys(("required", "invalid"), gettext_lazy("Enter a day, such as 2026-11-26."))
        super().__init__(
            label=gettext_lazy("Day"),
            widget=widget,
            input_formats=["%Y-%m-%d"],
            error_messages=wrong,
            **kwargs,
        )


class TimeField(forms.TimeField):
    def __init__(self) -> None:
        super().__init__(
            label=gettext_lazy("Time"),
            required=False,
            widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            input_formats=["%H:%M", "%H:%M:%S"],
            help_text=gettext_lazy("In the site's own time; it may stay empty."),
            error_messages={"invalid": gettext_lazy("Enter a time from 00:00 to 23:59, or nothing.")},
        )


class CrewField(forms.TypedChoiceField):
    def __init__(self, crews: Choices, nobody: str) -> None:
        super().__init__(
            label=gettext_lazy("Crew"),
            choices=[("", nobody), *crews],
            coerce=UUID,
            empty_value=None,
            required=False,
            error_messages={"invalid_choice": gettext_lazy("Choose one of the crews.")},
        )


class MoveForm(forms.Form):
    day = DayField()
    begins_at = TimeField()

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"] = CrewField(crews, _("as before"))
        self.order_fields(["day", "crew", "begins_at"])


class CallOffForm(forms.Form):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"] = forms.ChoiceField(
            label=_("Why it is called off"),
            choices=reason_choices(),
            error_messages=dict.fromkeys(("required", "invalid_choice"), _("Say why it is called off.")),
        )


class PlanForm(forms.Form):
    """A visit to plan. ``visit`` is made when the form is first shown, so that sending it twice plans it once."""

    visit = forms.UUIDField(widget=forms.HiddenInput, required=False)
    site = forms.CharField(
        label=gettext_lazy("Site, by its name or code"),
        max_length=200,
        error_messages={"required": gettext_lazy("Enter the site's name or its code.")},
    )
    day = DayField()
    begins_at = TimeField()
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes on site"),
        required=False,
        min_value=1,
        max_value=planning.MOST_MINUTES,
        error_messages=dict.fromkeys(
            ("invalid", "min_value", "max_value"),
            gettext_lazy("Enter a whole number from 1 to 1440, or nothing."),
        ),
    )

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.found: Any = None
        self.fields["crew"] = CrewField(crews, _("the site's usual crew"))
        self.order_fields(["visit", "site", "day", "crew", "begins_at", "minutes"])

    def clean_site(self) -> str:
        """Inside an open scope: one site must be meant."""
        typed = str(self.cleaned_data["site"]).strip()
        found = list(accounts.sites().filter(code__iexact=typed)[:1]) or list(
            accounts.sites().filter(name__iexact=typed)[:2]
        )
        found = found or list(accounts.sites().filter(name__icontains=typed)[: MOST_FOUND + 1])
        if not found:
            raise forms.ValidationError(_("No site has this name or code. A part of its name is enough."))
        if len(found) > 1:
            named = ", ".join(f"{site.name} ({site.code})" for site in found[:MOST_FOUND])
            raise forms.ValidationError(
                _("Several sites may be meant: {sites}. Enter the code.", sites=named)
            )
        self.found = found[0]
        return typed


class NoteForm(forms.Form):
    text = forms.CharField(
        label=gettext_lazy("Note"),
        max_length=planning.MOST_NOTE,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy(
            "What the office wants to remember of this site. No door code, nothing about anybody's health."
        ),
        error_messages=dict.fromkeys(
            ("required", "max_length"), gettext_lazy("A note has 1 to 500 characters; this one was not kept.")
        ),
    )


def onward(request: OperatorRequest, otherwise: str) -> str:
    """Where to go on to: the page of this operator that the form names, else ``otherwise``."""
    asked = request.POST.get("next") or request.GET.get("next") or ""
    is_ours = asked.startswith(f"/{request.operator.slug}/") and url_has_allowed_host_and_scheme(asked, None)
    return asked if is_ours else otherwise


def round_page(request: OperatorRequest, crew_id: UUID | None, day: date) -> str:
    """The address of a crew's round; that of all rounds for a visit without a crew."""
    slug = request.operator.slug
    if crew_id is None:
        return f"{reverse('rounds', args=[slug])}?day={day.isoformat()}"
    return reverse("round", args=[slug, crew_id, day.isoformat()])


def _asked(
    request: OperatorRequest,
    form: forms.Form,
    page: Mapping[str, Any],
    act: Callable[[], Any],
    *,
    is_valid: bool,
    otherwise: Callable[[Any], str],
) -> HttpResponse:
    """Show a form; once it is sent and right, act and go on; what refuses it stands beside the field it is about."""
    status = 200
    if request.method == "POST":
        status = 422
        if is_valid:
            try:
                done = act()
            except (BadInput, Conflict) as refusal:
                _say(form, refusal)
                status = refusal.status
            else:
                return redirect(onward(request, otherwise(done)))
    shown = {"form": form, "next": onward(request, ""), **page}
    return render(request, "servicing/move.html", shown, status=status)


def _say(form: forms.Form, refusal: Refusal) -> None:
    names = {"crew": "crew", "day": "day", "minutes": "minutes", "reason": "reason", "text": "text"}
    for problem in refusal.errors:
        name = names.get(problem.pointer.rpartition("/")[2])
        if name in form.fields:
            form.add_error(name, problem.detail)
    if not form.errors:
        form.add_error(None, refusal.detail)


@operator_page(Permission.VISITS_PLAN, "GET", "HEAD", "POST")
def move_visit(request: OperatorRequest, planned_visit_id: UUID) -> HttpResponse:
    """Move a visit to another day, crew or time."""
    with tenancy.reading(request.actor):
        plan = get_planned_visit(planned_visit_id)
        site, crews = accounts.get_site(plan.site_id), crew_choices()
    now = {"day": plan.day, "crew": str(plan.crew_id or ""), "begins_at": plan.begins_at}
    form = MoveForm(request.POST or None, initial=now, crews=crews)
    return _asked(
        request,
        form,
        {
            "title": _("Move the visit of {site} on {day}", site=site.name, day=said_day(plan.day)),
            "button": _("Move it"),
        },
        lambda: planning.move_visit(
            actor=request.actor,
            planned_visit_id=plan.id,
            day=form.cleaned_data["day"],
            crew_id=form.cleaned_data["crew"],
            begins_at=form.cleaned_data["begins_at"],
        ),
        is_valid=form.is_valid(),
        otherwise=lambda moved: round_page(request, moved.crew_id, moved.day),
    )


@operator_page(Permission.VISITS_PLAN, "GET", "HEAD", "POST")
def call_off_visit(request: OperatorRequest, planned_visit_id: UUID) -> HttpResponse:
    """Call a visit off, with the reason that the record keeps."""
    with tenancy.reading(request.actor):
        plan = get_planned_visit(planned_visit_id)
        site = accounts.get_site(plan.site_id)
    form = CallOffForm(request.POST or None)
    return _asked(
        request,
        form,
        {
            "title": _("Call off the visit of {site} on {day}", site=site.name, day=said_day(plan.day)),
            "said": _("The record keeps that it was called off, and why. Its due day stays open."),
            "button": _("Call it off"),
        },
        lambda: planning.call_off_visit(
            actor=request.actor, planned_visit_id=plan.id, reason=form.cleaned_data["reason"]
        ),
        is_valid=form.is_valid(),
        otherwise=lambda _done: round_page(request, plan.crew_id, plan.day),
    )


@operator_page(Permission.VISITS_PLAN, "POST")
def take_off_visit(request: OperatorRequest, planned_visit_id: UUID) -> HttpResponse:
    """Take a visit that was planned by mistake off its round."""
    with tenancy.reading(request.actor):
        plan = get_planned_visit(planned_visit_id)
    planning.take_off_visit(actor=request.actor, planned_visit_id=plan.id)
    return redirect(onward(request, round_page(request, plan.crew_id, plan.day)))


@operator_page(Permission.VISITS_PLAN, "POST")
def shift_visit(request: OperatorRequest, planned_visit_id: UUID) -> HttpResponse:
    """Make a visit earlier or later by one place in its round."""
    plan = planning.shift_visit(
        actor=request.actor, planned_visit_id=planned_visit_id, later=request.POST.get("to") == "later"
    )
    return redirect(onward(request, round_page(request, plan.crew_id, plan.day)))


@operator_page(Permission.VISITS_PLAN, "GET", "HEAD", "POST")
def plan_visit(request: OperatorRequest) -> HttpResponse:
    """Plan one visit; ``site``, ``day`` and ``crew`` in the address fill the form."""
    asked = {name: request.GET.get(name, "") for name in ("site", "day", "crew")}
    start = {**asked, "day": asked["day"] or clock.today(request.operator.zone), "visit": uuid7()}
    with tenancy.reading(request.actor):
        form = PlanForm(request.POST or None, initial=start, crews=crew_choices())
        is_valid = form.is_valid()
    return _asked(
        request,
        form,
        {"title": _("Plan a visit"), "button": _("Plan it")},
        lambda: planning.plan_visit(
            actor=request.actor,
            site_id=form.found.id,
            day=form.cleaned_data["day"],
            crew_id=form.cleaned_data["crew"],
            begins_at=form.cleaned_data["begins_at"],
            minutes=form.cleaned_data["minutes"],
            id=form.cleaned_data["visit"],
        ),
        is_valid=is_valid,
        otherwise=lambda made: round_page(request, made.crew_id, made.day),
    )


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "GET", "HEAD", "POST")
def write_note(request: OperatorRequest, code: str) -> HttpResponse:
    """Write a note about a site."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
    form = NoteForm(request.POST or None)
    return _asked(
        request,
        form,
        {"title": _("Write a note about {site}", site=site.name), "button": _("Keep it")},
        lambda: planning.write_note(actor=request.actor, site_id=site.id, text=form.cleaned_data["text"]),
        is_valid=form.is_valid(),
        otherwise=lambda _done: reverse("site", args=[request.operator.slug, site.code]),
    )


@operator_page(Permission.ALERTS_ACKNOWLEDGE, "POST")
def strike_note(request: OperatorRequest, note_id: UUID) -> HttpResponse:
    """Strike a note that no longer matters."""
    with tenancy.reading(request.actor):
        note = get_note(note_id)
        site = accounts.get_site(note.site_id)
    planning.strike_note(actor=request.actor, note_id=note.id)
    return redirect(onward(request, reverse("site", args=[request.operator.slug, site.code])))
