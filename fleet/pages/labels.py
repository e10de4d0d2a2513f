"""Printing labels, and what of them hangs nowhere yet."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from itertools import islice
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django import forms
from django.conf import settings
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import tenancy
from accounts.errors import BadInput, NotFound, Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Text, WholeNumber, say, words_of
from accounts.permissions import Permission
from fleet import commands, queries
from fleet.commands import MOST_LABELS
from fleet.queries import Printing
from fleet.rules import label_sheet
from fleet.rules.label_sheet import Label

# Ids of units that hang or have hung somewhere; given by whoever puts the page at its address.
Hung = Callable[[], "QuerySet[Any]"]

PAPERS = [("a4", N_("A4")), ("letter", N_("Letter"))]
MOST_SHOWN = 70
MOST_PRINTINGS = 40


class PrintForm(forms.Form):
    count = WholeNumber(label=gettext_lazy("How many labels"), least=1, most=MOST_LABELS)

    def __init__(self, *args: Any, models: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit_model"] = Choice(label=_("For units of which model"), choices=models)


class AgainForm(forms.Form):
    code = Text(
        label=gettext_lazy("Label to print again"),
        max_length=20,
        help_text=gettext_lazy("For a unit whose label can no longer be read."),
        attrs={"autocapitalize": "characters", "spellcheck": "false"},
    )


@operator_page(Permission.FLEET_MANAGE)
def labels(request: OperatorRequest, hung: Hung) -> HttpResponse:
    return _show(request, hung)


@operator_page(Permission.FLEET_MANAGE, "POST")
def print_new(request: OperatorRequest, hung: Hung) -> HttpResponse:
    """Printing makes the units, so it is done once; the sheet itself can be fetched again."""
    form = PrintForm(request.POST, models=_models(request))
    if not form.is_valid():
        return _show(request, hung, print_form=form, status=422)
    try:
        made = commands.print_labels(
            actor=request.actor,
            unit_model_id=UUID(form.cleaned_data["unit_model"]),
            count=form.cleaned_data["count"],
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, hung, print_form=form, status=refusal.status)
    return redirect(f"{reverse('labels', args=[request.operator.slug])}?{urlencode({'done': len(made)})}")


@operator_page(Permission.FLEET_MANAGE)
def sheet(request: OperatorRequest, hung: Hung) -> HttpResponse:
    """A PDF of labels: of one unit (``code``), or of what is left of a printing (``printed_at``, ``model``, ``part``)."""
    paper = request.GET.get("paper", "")
    if paper not in label_sheet.PAPERS:
        paper = _usual_paper(request)
    skip = _number(request.GET.get("skip", ""), label_sheet.A_SHEET - 1)
    with tenancy.reading(request.actor):
        codes = _codes(request, hung)
    if not codes:
        raise NotFound(_("No label of this printing is waiting for a wall."))
    base = _base(request)
    made = [Label(code, f"{base}/u/{code}", request.operator.name) for code in codes]
    answer = HttpResponse(label_sheet.sheets(made, paper=paper, skip=skip), content_type="application/pdf")
    answer["Content-Disposition"] = f'attachment; filename="labels-{codes[0]}-{len(codes)}.pdf"'
    return answer


def _codes(request: OperatorRequest, hung: Hung) -> list[str]:
    if code := request.GET.get("code", ""):
        return [queries.unit_by_code(code).code]
    try:
        printed_at = datetime.fromisoformat(request.GET.get("printed_at", ""))
        model_id = UUID(request.GET.get("model", ""))
    except ValueError:
        raise BadInput(_("This address is not whole. Choose the labels on the page of labels.")) from None
    start = _number(request.GET.get("part", ""), MOST_LABELS) * label_sheet.MOST_LABELS
    waiting = queries.waiting_codes(hung(), printed_at=printed_at, unit_model_id=model_id)
    return list(waiting[start : start + label_sheet.MOST_LABELS])


def _number(typed: str, most: int) -> int:
    return min(int(typed), most) if typed.isascii() and typed.isdigit() and len(typed) < 6 else 0  # noqa: PLR2004


def _base(request: OperatorRequest) -> str:
    """Where scanning a label leads: to the address that others reach this product by."""
    return settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"


def _usual_paper(request: OperatorRequest) -> str:
    return "letter" if request.manner.locale == "en-US" else "a4"


def _models(request: OperatorRequest) -> list[tuple[str, str]]:
    with tenancy.reading(request.actor):
        return [(str(one.id), one.name) for one in queries.unit_models()]


def _show(
    request: OperatorRequest, hung: Hung, *, print_form: forms.Form | None = None, status: int = 200
) -> HttpResponse:
    models = _models(request)
    with tenancy.reading(request.actor):
        printings = queries.printings(hung())
        shown = [
            (one, list(_of_printing(one, hung)), _parts(one)) for one in islice(printings, MOST_PRINTINGS)
        ]
    done = request.GET.get("done", "")
    page = {
        "printings": shown,
        "older": len(printings) - len(shown),
        "waiting": sum(one.waiting for one in printings),
        "models": models,
        "form": print_form or PrintForm(models=models, initial={"count": label_sheet.A_SHEET}),
        "again_form": AgainForm(),
        "papers": words_of(PAPERS),
        "paper": _usual_paper(request),
        "a_sheet": label_sheet.A_SHEET,
        "base": f"{_base(request)}/u/".upper(),
        "made": int(done) if done.isascii() and done.isdigit() and len(done) < 6 else 0,  # noqa: PLR2004
    }
    return render(request, "fleet/labels.html", page, status=status)


def _of_printing(one: Printing, hung: Hung) -> QuerySet[Any, Any]:
    return queries.waiting_codes(hung(), printed_at=one.printed_at, unit_model_id=one.unit_model_id)[
        :MOST_SHOWN
    ]


def _parts(one: Printing) -> list[tuple[int, int, int]]:
    """Number, first and last label of each file that a printing takes."""
    size = label_sheet.MOST_LABELS
    return [
        (part, part * size + 1, min((part + 1) * size, one.waiting))
        for part in range((one.waiting + size - 1) // size)
    ]
