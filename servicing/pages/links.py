"""Where the office makes and takes back links to service records, prints their codes, and tells sites of visits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.safestring import mark_safe

from accounts import queries as accounts
from accounts import tenancy
from accounts.errors import BadInput, NotFound, Refusal
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.commands import announcing
from servicing.commands import links as commands
from servicing.pages.sites import site_by_code
from servicing.queries import links, planning, record
from servicing.queries.links import LinkLine, path_of
from servicing.rules.codes import code_svg
from servicing.rules.record_words import window

if TYPE_CHECKING:
    from accounts.models import Customer, Site

EVERY_ROOM = "every-room"


@dataclass(frozen=True, slots=True)
class LinkRow:
    """A link as the office sees it; ``address`` is "" for one that is revoked or can't be said again."""

    line: LinkLine
    address: str


@operator_page(Permission.RECORDS_SHARE, "GET", "HEAD", "POST")
def site_links(request: OperatorRequest, code: str) -> HttpResponse:
    """The links to a site's record and to those of its restrooms; POST makes one more."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
    if request.method != "POST":
        return _site_page(request, site)
    what = request.POST.get("what", "site")
    label = request.POST.get("label", "")
    try:
        if what == EVERY_ROOM:
            commands.make_room_links(actor=request.actor, site_id=site.id)
        else:
            _make(request, site, what, label)
    except Refusal as refusal:
        return _site_page(request, site, refusal=refusal, typed={"what": what, "label": label})
    return redirect("record-links", slug=request.operator.slug, code=code)


def _make(request: OperatorRequest, site: Site, what: str, label: str) -> None:
    if what == "site":
        commands.make_link(actor=request.actor, site_id=site.id, label=label)
        return
    with tenancy.reading(request.actor):
        room_id = next((one for one, _name in links.restrooms_of(site.id) if str(one) == what), None)
    if room_id is None:
        raise NotFound(_("There is no such restroom at this site."))
    commands.make_link(actor=request.actor, restroom_id=room_id, label=label)


def _site_page(
    request: OperatorRequest,
    site: Site,
    *,
    refusal: Refusal | None = None,
    typed: dict[str, str] | None = None,
) -> HttpResponse:
    with tenancy.reading(request.actor):
        lines = links.links_of_site(site.id)
        rooms = links.restrooms_of(site.id)
        contacts = accounts.contacts_to_tell([site.id])
        plans = planning.planned_of(site.id)
        told = record.announcements_of(site.id)
    rows = _rows(request, lines)
    open_rooms = {row.line.link.restroom_id for row in rows if row.address}
    page = {
        "site": site,
        "rows": rows,
        "opening": sum(row.line.link.revoked_at is None for row in rows),
        "rooms": rooms,
        "has_codes": any(row.address and row.line.link.restroom_id for row in rows),
        "rooms_without": sum(room_id not in open_rooms for room_id, _name in rooms),
        "contacts": contacts,
        "plans": [(plan, window(plan.begins_at) if plan.begins_at else None) for plan in plans],
        "told": told,
        "may_plan": request.actor.may(Permission.VISITS_PLAN),
        "refusal": refusal,
        "typed": typed or {},
        "most_label": commands.MOST_LABEL,
        "every_room": EVERY_ROOM,
        "action": request.path,
    }
    return render(request, "servicing/record_links.html", page, status=refusal.status if refusal else 200)


@operator_page(Permission.RECORDS_SHARE, "GET", "HEAD", "POST")
def customer_links(request: OperatorRequest, code: str) -> HttpResponse:
    """The links to all sites of a customer at once; POST makes one more."""
    with tenancy.reading(request.actor):
        customer: Customer | None = accounts.customers().filter(code=code).first()
    if customer is None:
        raise NotFound(_("There is no customer here with this code."))
    refusal, label = None, request.POST.get("label", "")
    if request.method == "POST":
        try:
            commands.make_link(actor=request.actor, customer_id=customer.id, label=label)
        except BadInput as bad:
            refusal = bad
        else:
            return redirect("customer-record-links", slug=request.operator.slug, code=code)
    with tenancy.reading(request.actor):
        rows = _rows(request, links.links_of_customer(customer.id))
        sites = accounts.sites().filter(customer_id=customer.id).count()
    page = {
        "customer": customer,
        "sites": sites,
        "rows": rows,
        "opening": sum(row.line.link.revoked_at is None for row in rows),
        "refusal": refusal,
        "typed": {"label": label},
        "most_label": commands.MOST_LABEL,
        "action": request.path,
    }
    status = refusal.status if refusal else 200
    return render(request, "servicing/record_links_customer.html", page, status=status)


def _rows(request: OperatorRequest, lines: list[LinkLine]) -> list[LinkRow]:
    return [LinkRow(line, _home(request) + path_of(line.token) if line.token else "") for line in lines]


def _home(request: OperatorRequest) -> str:
    """Where customers reach this product: as it is set, else where the office reaches it."""
    return settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"


@operator_page(Permission.RECORDS_SHARE, "POST")
def revoke(request: OperatorRequest, link_id: UUID) -> HttpResponse:
    commands.revoke_link(actor=request.actor, link_id=link_id)
    with tenancy.reading(request.actor):
        link = links.get_link(link_id)
        if link.customer_id is not None:
            name, code = "customer-record-links", accounts.get_customer(link.customer_id).code
        else:
            name, code = "record-links", _site_of(link_id).code
    return redirect(name, slug=request.operator.slug, code=code)


def _site_of(link_id: UUID) -> Site:
    return accounts.get_site(links.site_id_of(link_id))


@operator_page(Permission.RECORDS_SHARE)
def codes(request: OperatorRequest, code: str) -> HttpResponse:
    """A sheet to print: one code for each restroom of a site that has a link, to hang beside its door."""
    with tenancy.reading(request.actor):
        site = site_by_code(code)
        lines = links.links_of_site(site.id)
    cards = []
    seen: set[Any] = set()
    for line in lines:
        room_id = line.link.restroom_id
        if not line.token or room_id is None or room_id in seen:
            continue
        # The newest link of a room: its older ones still open, for codes that hang already.
        seen.add(room_id)
        address = f"{_home(request)}/R/{line.token}"
        title = _("Code of the service record of {room}", room=line.of)
        svg = mark_safe(code_svg(address, title))  # noqa: S308 - made here, of an address and an escaped title
        cards.append({"room": line.of, "svg": svg, "address": address.upper()})
    return render(request, "servicing/record_codes.html", {"site": site, "cards": cards})


@operator_page(Permission.VISITS_PLAN, "POST")
def announce(request: OperatorRequest, planned_visit_id: UUID) -> HttpResponse:
    """Tell a site's contacts of a planned visit; those who were told of it already are not told again."""
    with tenancy.reading(request.actor):
        site = accounts.get_site(planning.get_planned_visit(planned_visit_id).site_id)
    announcing.announce_visit(actor=request.actor, planned_visit_id=planned_visit_id)
    return redirect("record-links", slug=request.operator.slug, code=site.code)
