"""Customers, sites and their contacts, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from functools import reduce
from operator import or_
from uuid import UUID

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from accounts.errors import NotFound
from accounts.languages import _
from accounts.models import (
    Customer,
    Site,
    SiteContact,
)
from accounts.queries.by_id import row_by_id


def get_site(site_id: UUID) -> Site:
    return row_by_id(Site, site_id, "site")


def get_customer(customer_id: UUID) -> Customer:
    return row_by_id(Customer, customer_id, "customer")


def get_contact(contact_id: UUID) -> SiteContact:
    return row_by_id(SiteContact, contact_id, "contact")


def customer_by_code(code: str) -> Customer:
    found = Customer.objects.filter(code=code).first()
    if found is None:
        raise NotFound(_("There is no customer here with this code. Look for it by its name in the list."))
    return found


def site_by_code(code: str) -> Site:
    found = Site.objects.select_related("customer").filter(code=code).first()
    if found is None:
        raise NotFound(
            _("There is no site here with this code. Look for it by its name in the list of sites.")
        )
    return found


def contacts_of(site_id: UUID) -> QuerySet[SiteContact]:
    return SiteContact.objects.filter(site_id=site_id).order_by("email")


def customers() -> QuerySet[Customer]:
    return Customer.objects.order_by("code")


def sites() -> QuerySet[Site]:
    return Site.objects.order_by("code")


def sites_in(ids: Collection[UUID]) -> dict[UUID, Site]:
    return {site.id: site for site in Site.objects.filter(id__in=ids)}


def found_customers(wanted: str) -> QuerySet[Customer]:
    """Customers by a part of the name or the code, with the number of their sites as ``sites``; all for ""."""
    rows = Customer.objects.order_by("name", "code")
    if wanted:
        rows = rows.filter(Q(name__icontains=wanted) | Q(code__icontains=wanted))
    own = Site.objects.filter(customer_id=OuterRef("id")).order_by().values("customer_id")
    return rows.annotate(sites=Coalesce(Subquery(own.annotate(n=Count("id")).values("n")), 0))


def found_sites(wanted: str, customer_id: UUID | None = None) -> QuerySet[Site]:
    """Sites by customer and name, each with its customer and crew; by a part of name, code, area or customer."""
    rows = Site.objects.select_related("customer", "crew").order_by("customer__name", "name", "code")
    if customer_id is not None:
        rows = rows.filter(customer_id=customer_id)
    if wanted:
        parts = ("name", "code", "area", "customer__name")
        rows = rows.filter(reduce(or_, (Q(**{f"{part}__icontains": wanted}) for part in parts)))
    return rows


def usual_country() -> str:
    """The country of the most customers; "" without any."""
    rows = Customer.objects.order_by().values("country").annotate(n=Count("id")).order_by("-n", "country")
    return next((row["country"] for row in rows[:1]), "")


def sites_of_crew(crew_id: UUID) -> int:
    """How many sites have a crew as their usual one."""
    return Site.objects.filter(crew_id=crew_id).count()


def customers_in(ids: Collection[UUID]) -> dict[UUID, Customer]:
    return {customer.id: customer for customer in Customer.objects.filter(id__in=ids)}


def known_site_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Site.objects.filter(id__in=ids).values_list("id", flat=True))


def contacts_to_tell(site_ids: Collection[UUID]) -> list[SiteContact]:
    """Whom the visits to these sites are told to by mail, by site and name."""
    wanting = SiteContact.objects.filter(site_id__in=site_ids, wants_announcements=True)
    return list(wanting.order_by("site_id", "name", "email"))


def site_zones() -> list[str]:
    """The zones in which this operator has sites."""
    return sorted(Site.objects.order_by().values_list("zone", flat=True).distinct())
