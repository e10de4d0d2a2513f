"""The library of safety data sheets: for each liquid the newest first, and what is missing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, DayField, say, words_of
from accounts.permissions import Permission
from fleet import commands, queries
from fleet.queries import SheetFacts
from fleet.rules.sheets import is_old

# ISO 639-1, those that sheets of our operators are written in; each said in the reader's language.
LANGUAGES = [
    ("en", N_("English")),
    ("de", N_("German")),
    ("fr", N_("French")),
    ("es", N_("Spanish")),
    ("it", N_("Italian")),
    ("nl", N_("Dutch")),
    ("pl", N_("Polish")),
    ("tr", N_("Turkish")),
]


@dataclass(frozen=True, slots=True)
class Line:
    """A sheet as the list shows it."""

    sheet: SheetFacts
    language: str
    is_newest: bool
    is_old: bool


class SheetForm(forms.Form):
    revision_on = DayField(
        label=gettext_lazy("Revision of"), help_text=gettext_lazy("The date that stands on the sheet itself.")
    )
    language = Choice(label=gettext_lazy("Language"), choices=lambda: words_of(LANGUAGES))
    content = forms.FileField(
        label=gettext_lazy("The sheet as a PDF"),
        help_text=gettext_lazy("Up to 5 MB, as the supplier gave it."),
        widget=forms.FileInput(attrs={"accept": "application/pdf"}),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("This file is empty."),
        },
    )

    def __init__(self, *args: Any, liquids: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["liquid"] = Choice(label=_("Liquid"), choices=liquids)
        self.order_fields(["liquid"])


@operator_page(Permission.UNITS_READ, "GET", "HEAD")
def sheets(request: OperatorRequest) -> HttpResponse:
    """For whoever works with the liquids; the office adds to it."""
    return _show(request)


@operator_page(Permission.FLEET_MANAGE, "POST")
def add_sheet(request: OperatorRequest) -> HttpResponse:
    with tenancy.reading(request.actor):
        liquids = [(str(one.id), one.name) for one in queries.liquids()]
    form = SheetForm(request.POST, request.FILES, liquids=liquids)
    if not form.is_valid():
        return _show(request, form=form, status=422)
    values = form.cleaned_data
    try:
        commands.add_safety_sheet(
            actor=request.actor,
            liquid_id=UUID(values["liquid"]),
            revision_on=values["revision_on"],
            language=values["language"],
            content=values["content"].read(),
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, form=form, status=refusal.status)
    return redirect(f"{reverse('safety-sheets', args=[request.operator.slug])}?done=added")


@operator_page(Permission.FLEET_MANAGE, "POST")
def remove_sheet(request: OperatorRequest, sheet_id: UUID) -> HttpResponse:
    commands.remove_safety_sheet(actor=request.actor, sheet_id=sheet_id)
    return redirect(f"{reverse('safety-sheets', args=[request.operator.slug])}?done=removed")


@operator_page(Permission.UNITS_READ, "GET", "HEAD")
def sheet_file(request: OperatorRequest, sheet_id: UUID) -> HttpResponse:
    """The PDF, to keep: somebody else made it, so no browser opens it among our pages."""
    with tenancy.reading(request.actor):
        facts, content = queries.get_safety_sheet(sheet_id), queries.safety_sheet_content(sheet_id)
    name = re.sub(r"[^A-Za-z0-9]+", "-", facts.liquid).strip("-").lower() or "liquid"
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = (
        f'attachment; filename="sds-{name}-{facts.revision_on}-{facts.language}.pdf"'
    )
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


def _show(request: OperatorRequest, *, form: forms.Form | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        liquids, found = list(queries.liquids()), queries.safety_sheets()
    of_liquid = [(one, _lines(one.id, found, today)) for one in liquids]
    choices = [(str(one.id), one.name) for one in liquids]
    said = {"added": _("The sheet is in the library."), "removed": _("The sheet is taken out.")}
    asked = {"liquid": request.GET.get("liquid", ""), "language": request.manner.language}
    page = {
        "liquids": of_liquid,
        "missing": [one for one, lines in of_liquid if not lines],
        "old": [one for one, lines in of_liquid if lines and lines[0].is_old],
        "count": len(found),
        "form": form or SheetForm(liquids=choices, initial=asked),
        "may_manage": request.actor.may(Permission.FLEET_MANAGE),
        "done": said.get(request.GET.get("done", ""), ""),
    }
    return render(request, "fleet/sheets.html", page, status=status)


def _lines(liquid_id: UUID, found: list[SheetFacts], today: Any) -> list[Line]:
    """The sheets of a liquid, the newest of each language marked as such."""
    names, seen, lines = dict(LANGUAGES), set(), []
    for one in found:
        if one.liquid_id == liquid_id:
            is_newest = one.language not in seen
            seen.add(one.language)
            name = _(names[one.language]) if one.language in names else one.language.upper()
            lines.append(Line(one, name, is_newest, is_newest and is_old(one.revision_on, today)))
    return lines
