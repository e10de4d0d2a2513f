"""Customers, sites, restrooms with stations, agreements and units from a file: looked at first, then imported.

A short file is looked at while its page waits, and waits itself in the form; a longer one, and one of units, is long work.
"""

from __future__ import annotations

import binascii
from typing import Any
from uuid import UUID

from django import forms
from django.core import signing
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import tenancy
from accounts.errors import BadInput, Refusal, TooLarge
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.pages.fields import Choice, words_of
from accounts.permissions import Permission, require
from servicing.commands import importing
from servicing.commands.importing import KINDS, MOST_BYTES, TITLES, Fate, Judged, Table
from servicing.queries import imports, rows_there
from servicing.queries.imports import Import

# A larger file is not read while its page waits.
MOST_AT_ONCE = 2 * 1024 * 1024
# Between the look and the import a short file waits in the form itself, packed; a form is of up to a million bytes.
MOST_PACKED = 900_000
SHOWN_WRONG, SHOWN_NEW = 200, 20
SALT = "servicing.importing"
SLOW_ROWS = 1_000  # from here on it takes longer than two seconds, and a bar is shown
REFRESH_SECONDS = 3
ACCEPTED = f".csv,.xlsx,text/csv,{importing.workbooks.MEDIA_TYPE}"

FATES = {
    Fate.NEW: N_("new"),
    Fate.THERE: N_("there already"),
    Fate.WRONG: N_("left out"),
}


class FileForm(forms.Form):
    kind = Choice(label=gettext_lazy("What is in the file"), choices=lambda: words_of(TITLES.items()))
    file = forms.FileField(
        label=gettext_lazy("The file"),
        help_text=gettext_lazy(
            "CSV in UTF-8 or an XLSX workbook, with the names of the columns in its first row, up to 20 MB."
        ),
        widget=forms.FileInput(attrs={"accept": ACCEPTED}),
        error_messages={
            "required": gettext_lazy("Choose the file."),
            "empty": gettext_lazy("This file is empty."),
        },
    )

    def clean_file(self) -> bytes:
        sent = self.cleaned_data["file"]
        self.name = str(sent.name)
        # One byte more than allowed tells a file that is too large.
        content: bytes = sent.read(MOST_BYTES + 1)
        try:
            importing.refuse_size(content)
        except Refusal as refusal:
            raise forms.ValidationError(refusal.detail) from None
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
        looked = _look_at_once(request, kind, content)
        if looked is not None:
            judged, packed = looked
            return render(request, "servicing/import_look.html", {**_told(judged), "packed": packed})
        look_id = importing.begin_look(actor=request.actor, kind=kind, content=content, name=form.name)
    except Refusal as refusal:
        form.add_error("file", refusal.detail)
        return _show(request, form, status=422)
    return redirect("import-one", slug=request.operator.slug, look_id=look_id)


def _look_at_once(request: OperatorRequest, kind: str, content: bytes) -> tuple[Judged, str] | None:
    """What would be made of a short file, and the file packed; None for one that is left to the workers."""
    is_long = max(len(content), importing.workbooks.unpacked_bytes(content) // 8) > MOST_AT_ONCE
    if is_long or kind == importing.UNITS:
        return None
    try:
        table = importing.read_file(actor=request.actor, kind=kind, content=content)
    except TooLarge:
        return None
    packed = signing.dumps(
        [str(request.operator.id), kind, importing.packing.table_packed(table)], salt=SALT, compress=True
    )
    if len(packed) > MOST_PACKED:
        return None
    return importing.judge_table(actor=request.actor, kind=kind, table=table), packed


@operator_page(Permission.FLEET_MANAGE, "POST")
def carry_out(request: OperatorRequest) -> HttpResponse:
    """Import the good rows of the short file that was looked at. Sent twice it finds them there."""
    kind, table = _unpacked(request)
    judged = importing.import_table(
        actor=request.actor, kind=kind, table=table, only_if_all_good=_all_good_asked(request)
    )
    told = _told(judged)
    page = {
        **told,
        "rows": [row for row in told["rows"] if row["is_wrong"]],
        "packed": request.POST["packed"],
        "following": _following(kind),
    }
    return render(request, "servicing/import_done.html", page)


@operator_page(Permission.FLEET_MANAGE, "POST")
def bad_rows(request: OperatorRequest) -> HttpResponse:
    """The rows that were left out, each with its reason, as a file to correct and send again."""
    kind, table = _unpacked(request)
    judged = importing.judge_table(actor=request.actor, kind=kind, table=table)
    return _csv(importing.left_out(table.columns, table.delimiter, judged.lines), f"{kind}-left-out")


@operator_page(Permission.FLEET_MANAGE)
def one(request: OperatorRequest, look_id: UUID) -> HttpResponse:
    """A longer file: how far the look and the import are, and what came of them."""
    return _show_one(request, look_id)


@operator_page(Permission.FLEET_MANAGE, "POST")
def carry_out_one(request: OperatorRequest, look_id: UUID) -> HttpResponse:
    """Have a longer file imported that was looked at. Sent twice it is done once."""
    try:
        importing.begin_import(
            actor=request.actor, look_id=look_id, only_if_all_good=_all_good_asked(request)
        )
    except Refusal as refusal:
        return _show_one(request, look_id, refusal=refusal)
    return redirect("import-one", slug=request.operator.slug, look_id=look_id)


@operator_page(Permission.FLEET_MANAGE)
def left_out_one(request: OperatorRequest, work_id: UUID) -> HttpResponse:
    """The rows that a look or an import of a longer file left out, each with its reason."""
    kind, text = importing.left_out_file(actor=request.actor, work_id=work_id)
    return _csv(text, f"{kind}-left-out")


@operator_page(Permission.FLEET_MANAGE)
def template(request: OperatorRequest, kind: str, form: str) -> HttpResponse:
    """An empty file with the names of the columns."""
    importing.permission_for(kind)
    return _file(kind, form, [], kind)


@operator_page(Permission.FLEET_MANAGE)
def there(request: OperatorRequest, kind: str, form: str) -> HttpResponse:
    """What is there, in the columns of the same file."""
    importing.permission_for(kind)
    with tenancy.reading(request.actor):
        rows = list(rows_there.rows_there(kind))
    return _file(kind, form, rows, f"{kind}-{request.operator.slug}")


def _file(kind: str, form: str, rows: list[dict[str, Any]], name: str) -> HttpResponse:
    if form == "csv":
        return _csv(importing.writing.csv_of(kind, rows), name)
    content = importing.writing.workbook_of(kind, rows)
    answer = HttpResponse(content, content_type=importing.workbooks.MEDIA_TYPE)
    answer["Content-Disposition"] = f'attachment; filename="{name}.xlsx"'
    return answer


def _csv(text: str, name: str) -> HttpResponse:
    # With the mark by which spreadsheets know UTF-8.
    answer = HttpResponse(text.encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def _all_good_asked(request: OperatorRequest) -> bool:
    return request.POST.get("only_if_all_good") == "yes"


def _unpacked(request: OperatorRequest) -> tuple[str, Table]:
    try:
        operator_id, kind, packed = signing.loads(request.POST.get("packed", ""), salt=SALT)
    except (signing.BadSignature, ValueError, binascii.Error):
        operator_id = kind = packed = ""
    if operator_id != str(request.operator.id):
        raise BadInput(_("This form is out of order, so nothing was imported. Send the file again."))
    return kind, importing.packing.table_of(packed)


def _following(kind: str) -> list[tuple[str, str]]:
    """The kind that names rows of this one, and comes next."""
    kinds = list(KINDS)
    return [(name, _(TITLES[name])) for name in kinds[kinds.index(kind) + 1 :][:1]]


def _told(judged: Judged) -> dict[str, Any]:
    wrong = [line for line in judged.lines if line.fate is Fate.WRONG]
    fresh = [line for line in judged.lines if line.fate is Fate.NEW]
    return {
        **_counted(judged.kind, len(judged.lines), judged.counts),
        "notes": judged.table.notes,
        "rows": [
            _row(line.line, line.fate, importing.says(line, judged.table.columns), line.wrong)
            for line in [*wrong[:SHOWN_WRONG], *fresh[:SHOWN_NEW]]
        ],
        "is_slow": len(fresh) > SLOW_ROWS,
    }


def _counted(kind: str, total: int, counts: Any) -> dict[str, Any]:
    new, wrong = counts[str(Fate.NEW)], counts[str(Fate.WRONG)]
    return {
        "kind": kind,
        "title": _(TITLES[kind]),
        "total": total,
        "new": new,
        "there": counts[str(Fate.THERE)],
        "wrong": wrong,
        "hidden_wrong": max(0, wrong - SHOWN_WRONG),
        "hidden_new": max(0, new - SHOWN_NEW),
    }


def _row(line: int, fate: Fate, says: str, wrong: list[str]) -> dict[str, Any]:
    return {
        "line": line,
        "fate": _(FATES[fate]),
        "is_wrong": fate is Fate.WRONG,
        "wrong": wrong,
        "says": says,
    }


def _show_one(request: OperatorRequest, look_id: UUID, *, refusal: Refusal | None = None) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = imports.get_import(request.actor, look_id)
    require(request.actor, importing.permission_for(found.kind))
    counts = found.counts
    page: dict[str, Any] = {
        "found": found,
        "work": found.work,
        "name": found.name,
        "refusal": refusal,
        "refresh": REFRESH_SECONDS,
        "notes": found.notes,
        "title": _(TITLES[found.kind]),
        "kind": found.kind,
    }
    if counts is not None:
        page |= {
            **_counted(found.kind, found.rows, counts),
            "rows": _rows_of(found),
            "left_out_id": found.told_by,
            "following": _following(found.kind) if found.is_imported else [],
        }
    return render(request, "servicing/import_one.html", page, status=refusal.status if refusal else 200)


def _rows_of(found: Import) -> list[dict[str, Any]]:
    wrong, fresh = (
        [_row(line, fate, says, why) for line, says, why in found.shown.get(str(fate), ())]
        for fate in (Fate.WRONG, Fate.NEW)
    )
    return wrong if found.is_imported else wrong + fresh


def _show(request: OperatorRequest, form: forms.Form, *, status: int = 200) -> HttpResponse:
    with tenancy.reading(request.actor):
        lately = imports.last_imports(request.actor)
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
        "most": importing.MOST_ROWS_OF_ALL,
        "lately": lately,
    }
    return render(request, "servicing/import.html", page, status=status)
