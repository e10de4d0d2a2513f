"""A month of the service record as a file to keep."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

from django.http import HttpResponse

from accounts import clock
from accounts.languages import _
from accounts.phrases import instant, is_us, month
from servicing.pages.record import RecordRequest, VisitSection, record_page, visits_of_month
from servicing.rules.record_files import Paper, PaperRow, PaperVisit, record_csv, record_pdf

if TYPE_CHECKING:
    from accounts.models import Site

COLUMNS = ("visit_on", "visit", "outcome", "place", "at", "done", "photos")


@record_page("file")
def month_file(request: RecordRequest, site_id: UUID, text: str, form: str) -> HttpResponse:
    """PDF or CSV: the same visits as on the month's page."""
    site = request.reach.site(site_id)
    first, visits = visits_of_month(request, site, text)
    if form == "pdf":
        title = _("Service record, {month}", month=month(first))
        content = record_pdf(_paper(request, site, title, visits), clock.now())
        answer = HttpResponse(content, content_type="application/pdf")
    else:
        answer = HttpResponse(_csv(visits), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'inline; filename="service-record-{first:%Y-%m}.{form}"'
    return answer


def _paper(request: RecordRequest, site: Site, title: str, visits: list[VisitSection]) -> Paper:
    where = [site.name, *site.address.splitlines(), request.reach.restroom]
    return Paper(
        title=title,
        operator=request.opened_for.legal_name,
        lead=[line for line in where if line.strip()],
        heads=[_("Where"), _("At"), _("What was done")],
        visits=[
            PaperVisit(
                visit.heading,
                visit.outcome,
                [PaperRow(line.place, line.at, " ".join(line.done)) for line in visit.lines if line.done],
            )
            # On paper the month is read from its beginning.
            for visit in reversed(visits)
        ],
        nothing=_("There was no visit in this month."),
        notes=[
            _("Photos of the work are on the page that this was taken from."),
            _(
                "The safety data sheet and the label of the liquid rule; local law and the people trained for the work decide."
            ),
        ],
        pages=_("Page {page} of {of}"),
        made=_(
            "{operator}, as recorded on {at}",
            operator=request.opened_for.legal_name,
            at=instant(clock.now(), site.zone),
        ),
        language=request.manner.language,
        paper="us-letter" if is_us() else "a4",
    )


def _csv(visits: list[VisitSection]) -> str:
    rows: list[list[str]] = []
    for visit in reversed(visits):
        start = [visit.day.isoformat(), visit.heading, visit.outcome]
        lines = [[line.place, line.at, " ".join(line.done), str(len(line.photo_ids))] for line in visit.lines]
        rows += [start + line for line in lines or [["", "", "", str(len(visit.photo_ids))]]]
    return record_csv(COLUMNS, rows)
