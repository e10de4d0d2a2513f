"""One field that finds a unit, a site, a customer, a document or a crew; a whole label goes straight to its unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse

from accounts import clock, tenancy
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.queries.search import LONGEST, MOST, Found, exact_unit, find

# From what was typed to documents with that number; given by whoever puts the page at its address.
FindDocuments = Callable[[str], list[Any]]

KINDS = {"invoice": N_("invoice"), "credit_note": N_("credit note")}


@dataclass(frozen=True, slots=True)
class Hit:
    address: str
    name: str
    about: str
    is_code: bool


@dataclass(frozen=True, slots=True)
class Group:
    """What was found of one kind; ``has_more`` than are shown."""

    title: str
    hits: list[Hit]
    has_more: bool


@operator_page(Permission.UNITS_READ)
def search(request: OperatorRequest, find_documents: FindDocuments) -> HttpResponse:
    typed = request.GET.get("for", "").strip()[:LONGEST]
    with tenancy.reading(request.actor):
        code = exact_unit(typed)
        if code is not None:
            return redirect("unit", slug=request.operator.slug, code=code)
        found = find(typed, with_customers=request.actor.may(Permission.CUSTOMERS_READ))
        documents = find_documents(typed) if request.actor.may(Permission.INVOICES_READ) else []
    said = [Found(one.number, one.number, f"{_(KINDS[one.kind])}, {one.customer}") for one in documents]
    today = clock.today(request.operator.zone)
    groups = [
        _group(request, _("Units"), found.units, lambda key: ("unit", [key]), is_code=True),
        _group(request, _("Sites"), found.sites, lambda key: ("site", [key])),
        _group(request, _("Customers"), found.customers, _customer_of(request)),
        _group(request, _("Documents"), said, lambda key: ("invoice", [key])),
        _group(request, _("Crews"), found.crews, lambda key: ("round", [key, str(today)])),
    ]
    shown = [group for group in groups if group.hits]
    page = {
        "typed": typed,
        "groups": shown,
        "found": sum(len(group.hits) for group in shown),
        "longest": LONGEST,
    }
    return render(request, "servicing/search.html", page)


def _customer_of(request: OperatorRequest) -> Callable[[str], tuple[str, list[str]]]:
    """Where a customer's page is: for whoever may see money its account, else what is set up of it."""
    name = "customer-account" if request.actor.may(Permission.INVOICES_READ) else "customer"
    return lambda key: (name, [key])


def _group(
    request: OperatorRequest,
    title: str,
    found: list[Found],
    address_of: Callable[[str], tuple[str, list[str]]],
    *,
    is_code: bool = False,
) -> Group:
    hits = []
    for one in found[:MOST]:
        name, parts = address_of(one.key)
        try:
            address = reverse(name, args=[request.operator.slug, *parts])
        except NoReverseMatch:
            continue  # a code that no address can hold
        hits.append(Hit(address, one.name, one.about, is_code))
    return Group(title, hits, has_more=len(found) > MOST)
