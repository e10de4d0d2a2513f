"""What somebody at a site tells by its service record: a smell, a leak, an empty unit, damage, a worry about a chemical."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext_lazy

from accounts import tenancy
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.languages import _
from accounts.phrases import instant
from servicing.commands import office
from servicing.commands.links import use_link
from servicing.commands.personal import MOST_WHO
from servicing.events.types import REPORT_KINDS, Subject
from servicing.pages.record import RecordRequest, liquid_sections, next_sentence, record_page, shown
from servicing.queries import record
from servicing.queries.links import no_link
from servicing.queries.record import HangingUnit
from servicing.rules import record_words as words
from servicing.rules.harm import SAFETY_REPORTS

if TYPE_CHECKING:
    from accounts.models import Site

# Below what a text may have, so that the restroom's name fits before it.
MOST_SAID = 300


class ReportForm(forms.Form):
    """``report`` is made when the form is first shown, so that sending it twice records it once."""

    report = forms.UUIDField(widget=forms.HiddenInput)
    said = forms.CharField(
        label=gettext_lazy("What is it like, and since when?"),
        required=False,
        max_length=MOST_SAID,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text=gettext_lazy("Nothing about anybody's health, please; only what the repair needs."),
    )
    who = forms.CharField(
        label=gettext_lazy("Whom may we ask about it?"),
        required=False,
        max_length=MOST_WHO,
        help_text=gettext_lazy(
            "May be left empty. A name is kept encrypted, and erased when you ask for it."
        ),
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    field_order = ["report", "where", "said", "who"]

    def __init__(self, *args: Any, places: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["where"] = forms.ChoiceField(
            label=gettext_lazy("Where is it?"),
            choices=[("", gettext_lazy("Somewhere else, or I can't say")), *places],
            required=False,
        )
        self.order_fields(self.field_order)


@record_page("open", "GET", "HEAD", "POST")
def report(request: RecordRequest, site_id: UUID) -> HttpResponse:
    """Choose what it is; for a leak or a chemical read first what to do now; then the form, which records it once."""
    site = request.reach.site(site_id)
    kind = (request.POST if request.method == "POST" else request.GET).get("kind", "")
    if kind not in REPORT_KINDS:
        return _choose(request, site)
    is_read = request.method == "POST" or bool(request.GET.get("read"))
    if kind in SAFETY_REPORTS and not is_read:
        return _safety(request, site, kind)
    with tenancy.reading(request.actor):
        units = record.hanging(site.id, request.reach.restroom_id)
    places = [(str(unit.unit_id), _place(request, unit)) for unit in units]
    if request.method != "POST":
        return _form(request, site, kind, ReportForm(places=places, initial={"report": uuid7()}))
    form = ReportForm(request.POST, places=places)
    if not form.is_valid():
        return _form(request, site, kind, form, status=422)
    return _record(request, site, kind, form.cleaned_data)


def _place(request: RecordRequest, unit: HangingUnit) -> str:
    in_room = request.reach.restroom_id is not None
    return words.place(unit.place.restroom, unit.place.station, unit.place.fixture, in_room=in_room)


def _choose(request: RecordRequest, site: Site) -> HttpResponse:
    kinds = [(kind, _(words.KINDS[kind])) for kind in REPORT_KINDS]
    return shown(request, "servicing/record_kinds.html", {"site": site, "kinds": kinds})


def _safety(request: RecordRequest, site: Site, kind: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        liquids = record.liquids_of(record.hanging(site.id, request.reach.restroom_id))
    page = {
        "site": site,
        "kind": kind,
        "kind_said": _(words.KINDS[kind]),
        "liquids": liquid_sections(liquids),
    }
    return shown(request, "servicing/record_safety.html", page)


def _form(
    request: RecordRequest, site: Site, kind: str, form: ReportForm, *, status: int = 200
) -> HttpResponse:
    page = {
        "site": site,
        "kind": kind,
        "kind_said": _(words.KINDS[kind]),
        "is_safety": kind in SAFETY_REPORTS,
        "form": form,
    }
    return shown(request, "servicing/record_report.html", page, status=status)


def _record(request: RecordRequest, site: Site, kind: str, values: dict[str, Any]) -> HttpResponse:
    report_id: UUID = values["report"]
    assert request.actor.id is not None, "who acts by a link is the link"
    with tenancy.reading(request.actor):
        is_recorded = record.report_by_link(report_id, request.actor.id) is not None
    if not is_recorded:
        use_link(token=request.token, action="report")
        said, where = values["said"].strip(), values["where"]
        if request.reach.restroom and not where:
            # The log knows no restroom as a subject, so that the words say which it is.
            said = ": ".join(one for one in (request.reach.restroom, said) if one)
        office.receive_report(
            actor=request.actor,
            about=Subject.UNIT if where else Subject.SITE,
            subject_id=UUID(where) if where else site.id,
            kind=kind,
            who=values["who"],
            said=said,
            id=report_id,
        )
    return redirect("record-told", token=request.token, site_id=site.id, event_id=report_id)


@record_page("open")
def told(request: RecordRequest, site_id: UUID, event_id: UUID) -> HttpResponse:
    """What becomes of a report that was made just now."""
    site = request.reach.site(site_id)
    assert request.actor.id is not None, "who acts by a link is the link"
    with tenancy.reading(request.actor):
        found = record.report_by_link(event_id, request.actor.id)
        coming = next_sentence(site)
    if found is None:
        raise NotFound(no_link())
    kind, at = found
    page = {
        "site": site,
        "kind_said": _(words.KINDS[kind]),
        "at": instant(at, site.zone),
        "is_safety": kind in SAFETY_REPORTS,
        "next_said": coming,
    }
    return shown(request, "servicing/record_told.html", page)
