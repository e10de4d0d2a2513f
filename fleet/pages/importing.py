"""Customers, sites, restrooms with stations and agreements from a file: looked at first, then imported."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core import signing
from django.http import HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from accounts.errors import BadInput, NotFound, Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, words_of
from accounts.permissions import Permission
from fleet.commands import importing
from fleet.commands.importing import Judged
from fleet.rules.importing import columns
from fleet.rules.importing.columns import KINDS, TITLES
from fleet.rules.importing.judging import Fate, Line, left_out

MOST_BYTES = 2 * 1024 * 1024
# Between the look and the import the file waits in the form itself, packed; a form is of up to a million bytes.
MOST_PACKED = 900_000
SHOWN_WRONG, SHOWN_NEW = 200, 20
SALT = "fleet.importing"
SLOW_ROWS = 1_000  # from here on it takes longer than two seconds, and a bar is shown

FATES = {
    Fate.NEW: N_("new"),
    Fate.THERE: N_("there already"),
    Fate.WRONG: N_("left out"),
}


class FileForm(forms.Form):
    kind = Choice(label=gettext_lazy("What is in the file"), choices=lambda: words_of(TITLES.items()))
    file = forms.FileField(
        label=gettext_lazy("The file"),
        help_text=gettext_lazy("CSV in UTF-8, with the names of the columns in its first row."),
        widget=forms.FileInput(attrs={"accept": ".csv,text/csv"}),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("This file is empty."),
        },
    )

    def clean_file(self) -> bytes:
        sent = self.cleaned_data["file"]
        if sent.size > MOST_BYTES:
            raise forms.ValidationError(_("The file is larger than 2 MB. Send it in parts."))
        content: bytes = sent.read()
        return content


@operator_page(Permission.FLEET_MANAGE, "GET", "HEAD", "POST")
def look(request: OperatorRequest) -> HttpResponse:
    """What can be imported; and of a file that is sent, what would be made of its rows. Nothing is stored."""
    if request.method != "POST":
        asked = request.GET.get("kind", "")
        return _show(request, FileForm(initial={"kind": asked if asked in KINDS else "customers"}))
    form = FileForm(request.POST, request.FILES)
    if not form.is_valid():
        return _show(request, form, status=422)
    kind, content = form.cleaned_data["kind"], form.cleaned_data["file"]
    try:
        judged = importing.judge_import(actor=request.actor, kind=kind, content=content)
        packed = _packed(request, kind, content)
    except Refusal as refusal:
        form.add_error("file", refusal.detail)
        return _show(request, form, status=422)
    return render(request, "fleet/import_look.html", {**_told(judged), "packed": packed})


@operator_page(Permission.FLEET_MANAGE, "POST")
def carry_out(request: OperatorRequest) -> HttpResponse:
    """Import the good rows of the file that was looked at. Sent twice it finds them there."""
    kind, content = _unpacked(request)
    judged = importing.import_rows(actor=request.actor, kind=kind, content=content)
    following = [name for name in KINDS if list(KINDS).index(name) == list(KINDS).index(kind) + 1]
    told = _told(judged)
    page = {
        **told,
        "rows": [row for row in told["rows"] if row["is_wrong"]],
        "packed": request.POST["packed"],
        "following": [(name, _(TITLES[name])) for name in following],
    }
    return render(request, "fleet/import_done.html", page)


@operator_page(Permission.FLEET_MANAGE, "POST")
def bad_rows(request: OperatorRequest) -> HttpResponse:
    """The rows that were left out, each with its reason, as a file to correct and send again."""
    kind, content = _unpacked(request)
    judged = importing.judge_import(actor=request.actor, kind=kind, content=content)
    return _csv(left_out(judged.table.columns, judged.table.delimiter, judged.lines), f"{kind}-left-out")


@operator_page(Permission.FLEET_MANAGE)
def template(request: OperatorRequest, kind: str) -> HttpResponse:
    """An empty file with the names of the columns."""
    if kind not in KINDS:
        raise NotFound(_("Nothing of this kind can be imported."))
    return _csv(columns.template(kind), kind)


def _csv(text: str, name: str) -> HttpResponse:
    # With the mark by which spreadsheets know UTF-8.
    answer = HttpResponse(text.encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def _packed(request: OperatorRequest, kind: str, content: bytes) -> str:
    text = content.decode("utf-8-sig")
    packed = signing.dumps([str(request.operator.id), kind, text], salt=SALT, compress=True)
    if len(packed) > MOST_PACKED:
        raise BadInput(_("This is too much for one file. Send it in parts."))
    return packed


def _unpacked(request: OperatorRequest) -> tuple[str, bytes]:
    try:
        operator_id, kind, text = signing.loads(request.POST.get("packed", ""), salt=SALT)
    except (signing.BadSignature, ValueError):
        operator_id = kind = text = ""
    if operator_id != str(request.operator.id):
        raise BadInput(_("This form is out of order, so nothing was imported. Send the file again."))
    return kind, text.encode()


def _told(judged: Judged) -> dict[str, Any]:
    wrong = [line for line in judged.lines if line.fate is Fate.WRONG]
    fresh = [line for line in judged.lines if line.fate is Fate.NEW]
    shown = [*wrong[:SHOWN_WRONG], *fresh[:SHOWN_NEW]]
    names = [name for name in judged.table.columns if name != columns.REASON]
    return {
        "kind": judged.kind,
        "title": _(TITLES[judged.kind]),
        "total": len(judged.lines),
        "new": len(fresh),
        "there": judged.counts["there"],
        "wrong": len(wrong),
        "columns": names,
        "rows": [_row(line, names) for line in shown],
        "hidden_wrong": max(0, len(wrong) - SHOWN_WRONG),
        "hidden_new": max(0, len(fresh) - SHOWN_NEW),
        "is_slow": len(fresh) > SLOW_ROWS,
    }


def _row(line: Line, names: list[str]) -> dict[str, Any]:
    return {
        "line": line.line,
        "fate": _(FATES[line.fate]),
        "is_wrong": line.fate is Fate.WRONG,
        "wrong": line.wrong,
        "says": ", ".join(line.cells[name] for name in names if line.cells.get(name)),
    }


def _show(request: OperatorRequest, form: forms.Form, *, status: int = 200) -> HttpResponse:
    page = {
        "form": form,
        "kinds": [
            (
                name,
                _(TITLES[name]),
                [(column, _(column.holds), column.example) for column in KINDS[name]],
            )
            for name in KINDS
        ],
        "most": columns.MOST_ROWS,
    }
    return render(request, "fleet/import.html", page, status=status)
