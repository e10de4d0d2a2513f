"""People named in reports: the owner finds one, sees what was taken down of them, and erases it."""

from __future__ import annotations

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import tenancy
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands.personal import erase_person
from servicing.queries import personal

PAGE_SIZE = 50


@operator_page(Permission.TEXTS_ERASE, "GET", "HEAD", "POST")
def named(request: OperatorRequest) -> HttpResponse:
    """Everybody whose words are kept, or were; by a part of the name, which is posted so that no address ever holds it.

    Names are searched here: no table holds one to search in.
    """
    typed = request.POST.get("name", "").strip()
    with tenancy.reading(request.actor):
        people = personal.people()
    wanted = typed.casefold()
    found = [one for one in people if wanted in one.who.casefold()]
    part = Paginator(found, max(len(found), 1) if typed else PAGE_SIZE).get_page(request.GET.get("page"))
    kept = sum(one.erased_at is None for one in people)
    page = {"part": part, "name": typed, "kept": kept, "found": len(found)}
    return render(request, "servicing/people.html", page)


@operator_page(Permission.TEXTS_ERASE)
def person(request: OperatorRequest, person_id: UUID) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = personal.get_person(person_id)
    return render(request, "servicing/person.html", {"person": found})


@operator_page(Permission.TEXTS_ERASE, "POST", recent=True)
def erase(request: OperatorRequest, person_id: UUID) -> HttpResponse:
    """For good. A second press finds it done and leaves it so."""
    erase_person(actor=request.actor, person_id=person_id)
    return redirect("person-named", slug=request.operator.slug, person_id=person_id)
