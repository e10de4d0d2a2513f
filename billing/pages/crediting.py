"""Giving back of an invoice: all that is left, or amounts of its lines."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import phrases, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import crediting as commands
from billing.pages import fields
from billing.queries import documents
from billing.rules.crediting import Creditable, CreditedLine, LineLeft
from billing.rules.documents import amount_text

LINES = 100
ALL, LINES_CHOSEN = "all", "lines"
HOW = [(ALL, N_("All that is left of it")), (LINES_CHOSEN, N_("Of its lines, as written beside them"))]


class CreditForm(forms.Form):
    """Why, and how much. Amounts are net; the tax follows."""

    reason = fields.text(N_("Why"), 200, help_text=N_("It stands on the credit note."))
    how = fields.choice(N_("Give back"), fields.words(HOW))

    def __init__(self, *args: Any, lines: Sequence[LineLeft], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.numbers = [line.line for line in lines if line.left > 0]
        for number in self.numbers:
            self.fields[f"line-{number}"] = fields.amount(
                _("Of line {number}", number=number), required=False, decimals=4
            )

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        typed = any(values.get(f"line-{number}") is not None for number in self.numbers)
        if values.get("how") == ALL and typed:
            self.add_error("how", _("Amounts stand beside lines below. Choose those, or empty them."))
        return values

    @property
    def asked(self) -> list[CreditedLine] | None:
        """The lines to give back of; None for all that is left."""
        if self.cleaned_data["how"] == ALL:
            return None
        typed = ((number, self.cleaned_data[f"line-{number}"]) for number in self.numbers)
        return [CreditedLine(number, amount) for number, amount in typed if amount is not None]


@operator_page(Permission.INVOICES_ISSUE, "GET", "HEAD", "POST", recent=True)
def credit(request: OperatorRequest, number: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = documents.get_invoice(number)
        left = documents.creditable(number)
    part = Paginator(left.lines, LINES).get_page(request.GET.get("page"))
    lines: list[LineLeft] = list(part.object_list)
    if request.method != "POST":
        form = CreditForm(initial={"how": ALL}, lines=lines)
        return _show(request, form, (found, left, part))
    form = CreditForm(request.POST, lines=lines)
    if not form.is_valid():
        return _show(request, form, (found, left, part), status=422)
    asked = form.asked
    try:
        note = commands.credit_document(
            actor=request.actor, number=number, reason=form.cleaned_data["reason"], lines=asked
        )
    except Refusal as refusal:
        _say(form, refusal, asked or [])
        return _show(request, form, (found, left, part), status=refusal.status)
    return redirect(f"{reverse('invoice', args=[request.operator.slug, note.number])}?done=credited")


def _say(form: CreditForm, refusal: Refusal, asked: Sequence[CreditedLine]) -> None:
    """A problem of a line beside it, any other by its field's name."""
    for problem in refusal.errors:
        words = problem.pointer.split("/")
        if len(words) > 2 and words[1] == "lines" and int(words[2]) < len(asked):  # noqa: PLR2004
            form.add_error(f"line-{asked[int(words[2])].line}", problem.detail)
            return
    say(form, refusal)


def _show(
    request: OperatorRequest, form: CreditForm, shown: tuple[Any, Creditable, Any], *, status: int = 200
) -> HttpResponse:
    found, left, part = shown
    said = {line["line"]: line for line in found.document["lines"]}
    rows = [
        {
            "line": said[one.line],
            "amount": phrases.amount(amount_text(one.amount, left.currency)),
            "left": phrases.amount(amount_text(max(one.left, Decimal(0)), left.currency)),
            "field": form[f"line-{one.line}"] if one.left > 0 else None,
        }
        for one in part.object_list
    ]
    page = {
        "one": found,
        "left": left,
        "form": form,
        "rows": rows,
        "part": part,
    }
    return render(request, "billing/credit.html", page, status=status)
