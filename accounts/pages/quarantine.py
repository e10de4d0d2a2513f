"""Work that failed at every attempt: what it was, why, and what to do about it."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import tenancy
from accounts.commands import quarantine as commands
from accounts.errors import NotFound
from accounts.languages import _
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.queries import quarantine as queries

MOST_SHOWN = 100


@operator_page(Permission.OPERATOR_MANAGE)
def quarantine(request: OperatorRequest) -> HttpResponse:
    """The newest first, and by kind where there are several of one."""
    with tenancy.reading(request.actor):
        kinds = queries.quarantined_kinds()
        shown = queries.in_words(list(queries.quarantined()[:MOST_SHOWN]))
    total = sum(jobs for _kind, _title, jobs in kinds)
    page = {
        "failed": shown,
        "total": total,
        "several": [one for one in kinds if one[2] > 1],
        "left_out": total - len(shown),
    }
    return render(request, "accounts/quarantine.html", page)


@operator_page(Permission.OPERATOR_MANAGE, "POST")
def replay_job(request: OperatorRequest, job_id: UUID) -> HttpResponse:
    commands.replay(actor=request.actor, job_id=job_id)
    return redirect("quarantine", slug=request.operator.slug)


@operator_page(Permission.OPERATOR_MANAGE, "POST")
def replay_kind(request: OperatorRequest, job_kind: str) -> HttpResponse:
    commands.replay_kind(actor=request.actor, kind=job_kind)
    return redirect("quarantine", slug=request.operator.slug)


@operator_page(Permission.OPERATOR_MANAGE, "GET", "HEAD", "POST")
def give_up_job(request: OperatorRequest, job_id: UUID) -> HttpResponse:
    """What giving it up means, and the button."""
    if request.method == "POST":
        commands.give_up(actor=request.actor, job_id=job_id)
        return redirect("quarantine", slug=request.operator.slug)
    with tenancy.reading(request.actor):
        failed = queries.in_words([queries.get_quarantined(job_id)])[0]
    page = {"failed": failed, "title": failed.title, "jobs": 1}
    return render(request, "accounts/give_up.html", page)


@operator_page(Permission.OPERATOR_MANAGE, "GET", "HEAD", "POST")
def give_up_kind(request: OperatorRequest, job_kind: str) -> HttpResponse:
    """The same for all of a kind."""
    if request.method == "POST":
        commands.give_up_kind(actor=request.actor, kind=job_kind)
        return redirect("quarantine", slug=request.operator.slug)
    with tenancy.reading(request.actor):
        found = next((one for one in queries.quarantined_kinds() if one[0] == job_kind), None)
    if found is None:
        raise NotFound(_("Nothing of this kind is among the work that failed."))
    return render(request, "accounts/give_up.html", {"title": found[1], "jobs": found[2]})
