"""Sites in the set-up: the list, a new one, and one with what can be changed, its contacts and its agreements."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, queries, tenancy
from accounts.commands import contacts, places
from accounts.commands import customers as commands
from accounts.errors import NotFound, Refusal
from accounts.languages import _
from accounts.models import Site, SiteContact
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choices, say
from accounts.pages.site_forms import ContactForm, NewSiteForm, SiteForm
from accounts.permissions import Permission
from accounts.rules.telling_words import seem_to_hold_a_code

PAGE_SIZE = 50
# The form of a new contact stands beside that of the site, whose fields have names too.
CONTACT_IDS = "contact_%s"
# Where a field of a form is called otherwise than the column it fills.
NAMES = {"latitude": "position", "longitude": "position", "crew_id": "crew", "customer_id": "customer"}


@operator_page(Permission.SITES_MANAGE)
def sites(request: OperatorRequest) -> HttpResponse:
    """By customer and name."""
    wanted = request.GET.get("find", "").strip()
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        found = Paginator(queries.found_sites(wanted), PAGE_SIZE)
        part = found.get_page(request.GET.get("page"))
        rows = list(part.object_list)
        bare = set(queries.sites_without_agreement(today).values_list("id", flat=True))
    page = {
        "rows": [(site, site.id in bare) for site in rows],
        "total": found.count,
        "bare": len(bare),
        "find": wanted,
        "query": urlencode({"find": wanted}) if wanted else "",
        "part": part,
    }
    return render(request, "accounts/sites.html", page)


@operator_page(Permission.SITES_MANAGE, "GET", "HEAD", "POST")
def new_site(request: OperatorRequest) -> HttpResponse:
    with tenancy.reading(request.actor):
        customers = list(queries.customers().order_by("name"))
        code = queries.next_number("site")
    if not customers:
        raise NotFound(_("A site is billed to a customer. Add the customer first, then its sites."))
    asked = next((str(one.id) for one in customers if one.code == request.GET.get("customer")), "")
    form = NewSiteForm(
        request.POST if request.method == "POST" else None,
        crews=crew_choices(request),
        customers=[(str(one.id), f"{one.name} ({one.code})") for one in customers],
        initial={"customer": asked, "code": code, "zone": request.operator.zone},
    )
    if not form.is_bound:
        return _show_new(request, form)
    if not form.is_valid():
        return _show_new(request, form, status=422)
    try:
        made = commands.add_sites(actor=request.actor, sites=[form.values()])[0]
    except Refusal as refusal:
        say(form, refusal, NAMES)
        return _show_new(request, form, status=refusal.status)
    return redirect("site-set-up", slug=request.operator.slug, code=made.code)


def _show_new(request: OperatorRequest, form: forms.Form, *, status: int = 200) -> HttpResponse:
    return render(request, "accounts/new_site.html", {"form": form}, status=status)


@operator_page(Permission.SITES_MANAGE, "GET", "HEAD", "POST")
def site(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.site_by_code(code)
    form = SiteForm(
        request.POST if request.method == "POST" else None,
        crews=crew_choices(request, found.crew_id),
        initial=_initial(found),
    )
    if not form.is_bound:
        return show_site(request, found, form=form)
    if not form.is_valid():
        return show_site(request, found, form=form, status=422)
    try:
        places.change_site(actor=request.actor, site_id=found.id, **form.values())
    except Refusal as refusal:
        say(form, refusal, NAMES)
        return show_site(request, found, form=form, status=refusal.status)
    return redirect("site-set-up", slug=request.operator.slug, code=code)


def _initial(found: Site) -> dict[str, Any]:
    same = ("name", "kind", "address", "area", "access", "hardness_mg_per_l", "dust")
    position = (found.latitude, found.longitude) if found.latitude is not None else None
    return {name: getattr(found, name) for name in same} | {
        "crew": str(found.crew_id or ""),
        "position": position,
    }


def crew_choices(request: OperatorRequest, stays: UUID | None = None) -> Choices:
    """The crews at work, and the one that is there already."""
    with tenancy.reading(request.actor):
        return [(str(one.id), one.name) for one in queries.crews() if one.is_active or one.id == stays]


def show_site(
    request: OperatorRequest, found: Site, *, status: int = 200, form: forms.Form | None = None, **more: Any
) -> HttpResponse:
    """One site's page in the set-up; ``more`` is a form that was refused, by its name on the page."""
    today = clock.today(found.zone)
    with tenancy.reading(request.actor):
        agreements = queries.agreements_of([found.id])[found.id]
        people = list(queries.contacts_of(found.id))
    page = {
        "site": found,
        "form": form or SiteForm(crews=crew_choices(request, found.crew_id), initial=_initial(found)),
        "contact_form": ContactForm(auto_id=CONTACT_IDS),
        "contacts": people,
        "agreements": [(one, one.ends_on is None or one.ends_on > today) for one in agreements],
        "has_open_agreement": any(one.ends_on is None for one in agreements),
        "may_agree": request.actor.may(Permission.AGREEMENTS_MANAGE),
        "may_keep_codes": request.actor.may(Permission.ENTRIES_MANAGE),
        "tells_code": any(map(seem_to_hold_a_code, (found.access, found.address))),
        **more,
    }
    return render(request, "accounts/site.html", page, status=status)


@operator_page(Permission.SITES_MANAGE, "GET", "HEAD", "POST")
def add_contact(request: OperatorRequest, code: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.site_by_code(code)
    if request.method != "POST":
        return show_site(request, found)
    form = ContactForm(request.POST, auto_id=CONTACT_IDS)
    if not form.is_valid():
        return show_site(request, found, contact_form=form, status=422)
    try:
        contacts.add_contact(actor=request.actor, site_id=found.id, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return show_site(request, found, contact_form=form, status=refusal.status)
    return redirect("site-set-up", slug=request.operator.slug, code=code)


@operator_page(Permission.SITES_MANAGE, "GET", "HEAD", "POST")
def change_contact(request: OperatorRequest, code: str, contact_id: UUID) -> HttpResponse:
    found = _contact(request, code, contact_id)
    names = ("name", "email", "wants_announcements")
    form = ContactForm(
        request.POST if request.method == "POST" else None,
        initial={name: getattr(found, name) for name in names},
    )
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                contacts.change_contact(actor=request.actor, contact_id=contact_id, **form.cleaned_data)
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("site-set-up", slug=request.operator.slug, code=code)
    page = {"contact": found, "code": code, "form": form}
    return render(request, "accounts/contact.html", page, status=status)


@operator_page(Permission.SITES_MANAGE, "POST")
def remove_contact(request: OperatorRequest, code: str, contact_id: UUID) -> HttpResponse:
    _contact(request, code, contact_id)
    contacts.remove_contact(actor=request.actor, contact_id=contact_id)
    return redirect("site-set-up", slug=request.operator.slug, code=code)


def _contact(request: OperatorRequest, code: str, contact_id: UUID) -> SiteContact:
    """A contact of the site that the address names; NotFound for another's."""
    with tenancy.reading(request.actor):
        found = queries.site_by_code(code)
        contact = queries.get_contact(contact_id)
    if contact.site_id != found.id:
        raise NotFound(_("This contact belongs to another site."))
    return contact
