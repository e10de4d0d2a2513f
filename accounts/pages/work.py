"""Long work as a page: how far it is, what became of it, and cancelling it."""

from __future__ import annotations

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import tenancy
from accounts.commands import work as commands
from accounts.errors import Conflict
from accounts.languages import N_, _
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.queries import work as queries
from accounts.queries.work import Shown

PAGE_SIZE = 50
REFRESH_SECONDS = 3
# By its state: in a row, and as the heading of its own page.
STATES = {
    "waiting": (N_("waits for the worker"), N_("It waits for the worker. {title}")),
    "running": (N_("going on"), N_("It is being done. {title}")),
    "cancelling": (N_("being cancelled"), N_("It is being cancelled. {title}")),
    "done": (N_("done"), N_("It is done. {title}")),
    "refused": (N_("not done"), N_("It was not done. {title}")),
    "cancelled": (N_("cancelled"), N_("It was cancelled. {title}")),
    "failed": (N_("failed"), N_("It could not be done. {title}")),
}


@operator_page(Permission.WORK_READ)
def works(request: OperatorRequest) -> HttpResponse:
    """All that somebody may follow, the newest first."""
    with tenancy.reading(request.actor):
        part = Paginator(queries.works(request.actor), PAGE_SIZE).get_page(request.GET.get("page"))
        rows = queries.shown(part.object_list)
    going = sum(one.is_going_on for one in rows)
    page = {
        "part": part,
        "works": [(one, _(STATES[one.state][0])) for one in rows],
        "going": going,
        "is_going_on": going > 0,
        "refresh": REFRESH_SECONDS,
    }
    return render(request, "accounts/work.html", page)


@operator_page(Permission.WORK_READ)
def work(request: OperatorRequest, work_id: UUID) -> HttpResponse:
    return _show(request, work_id)


@operator_page(Permission.WORK_READ, "POST")
def cancel(request: OperatorRequest, work_id: UUID) -> HttpResponse:
    try:
        commands.cancel(actor=request.actor, work_id=work_id)
    except Conflict as refusal:
        return _show(request, work_id, refusal=refusal)
    return redirect("work-one", slug=request.operator.slug, work_id=work_id)


def _show(request: OperatorRequest, work_id: UUID, *, refusal: Conflict | None = None) -> HttpResponse:
    with tenancy.reading(request.actor):
        one: Shown = queries.shown([queries.get_work(request.actor, work_id)])[0]
    page = {
        "work": one,
        "headline": _(STATES[one.state][1], title=one.title),
        "page_address": reverse(one.page, args=[request.operator.slug]),
        "refresh": REFRESH_SECONDS,
        "refusal": refusal,
    }
    return render(request, "accounts/work_one.html", page, status=refusal.status if refusal else 200)
