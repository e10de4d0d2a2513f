"""Messages from a site: taken down when somebody rings, closed when somebody has been there."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect

from accounts import tenancy
from accounts.errors import BadInput, NotFound
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands import office
from servicing.events.types import Subject
from servicing.pages.sites import site_by_code
from servicing.queries import events as log
from servicing.queries import fleet_state


@operator_page(Permission.EVENTS_RECORD, "POST")
def receive(request: OperatorRequest, code: str) -> HttpResponse:
    """Take down a report. Its id is made with the form, so that sending the form twice records it once."""
    report_id = _uuid(request.POST.get("report", ""))
    with tenancy.reading(request.actor):
        site = site_by_code(code)
        is_recorded = _is_recorded(report_id)
    if not is_recorded:
        office.receive_report(
            actor=request.actor,
            about=Subject.SITE,
            subject_id=site.id,
            kind=request.POST.get("kind", ""),
            who=request.POST.get("who", ""),
            said=request.POST.get("said", ""),
            id=report_id,
        )
    return redirect("site", slug=request.operator.slug, code=code)


@operator_page(Permission.EVENTS_RECORD, "POST")
def close(request: OperatorRequest, code: str, event_id: UUID) -> HttpResponse:
    """Close an open report of this site or of a unit that hangs there; one that is closed stays so."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
        report = fleet_state.reports().filter(site_id=site.id, event_id=event_id).first()
    if report is not None:
        subject = ("unit", report.unit_id) if report.unit_id else ("site", site.id)
        office.record_events(
            actor=request.actor,
            events=[
                {
                    "type": "report.closed",
                    "subject": {"kind": subject[0], "id": str(subject[1])},
                    "payload": {"report_event_id": str(event_id)},
                }
            ],
        )
    return redirect("site", slug=request.operator.slug, code=code)


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise BadInput(
            _("This form is out of order, so nothing was recorded. Open the site's page again.")
        ) from None


def _is_recorded(event_id: UUID) -> bool:
    try:
        log.get_event(event_id)
    except NotFound:
        return False
    return True
