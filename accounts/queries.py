"""Every read of accounts that others use. Inside an operator's scope, unless the docstring says otherwise."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from functools import reduce
from operator import or_
from typing import Any, Literal
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import connections
from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from accounts.errors import NotFound
from accounts.languages import N_, _
from accounts.models import (
    Crew,
    Customer,
    Device,
    Member,
    Operator,
    ServiceAgreement,
    ServiceRules,
    Site,
    SiteContact,
    User,
)
from accounts.permissions import Role, home_of
from accounts.tenancy import OperatorOwned, across_operators, current_operator_id


@dataclass(frozen=True, slots=True)
class Membership:
    operator_id: UUID
    slug: str
    operator_name: str
    member_id: UUID
    member_name: str
    role: Role
    crew_id: UUID | None
    locale: str

    @property
    def home(self) -> str:
        return home_of(self.role)


@dataclass(frozen=True, slots=True)
class TokenBinding:
    operator_id: UUID
    token_id: UUID
    device_id: UUID | None
    crew_id: UUID | None
    role: Role
    label: str
    expires_at: datetime | None
    revoked_at: datetime | None


def memberships_of(user_id: UUID) -> list[Membership]:
    """The operators a person may act for, by name. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_memberships(%s)", [user_id])
        return [Membership(*(*row[:5], Role(row[5]), *row[6:])) for row in cursor.fetchall()]


def token_binding(digest: bytes) -> TokenBinding | None:
    """What the SHA-256 of a bearer token stands for, or None. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_token_binding(%s)", [digest])
        row = cursor.fetchone()
    return TokenBinding(*(*row[:4], Role(row[4]), *row[5:])) if row else None


def operator_ids(slug: str = "") -> list[UUID]:
    """Every operator's id, or that of one, as the system role. For the rebuild and the checks."""
    with across_operators():
        operators = Operator.objects.using("system").order_by("slug")
        return list((operators.filter(slug=slug) if slug else operators).values_list("id", flat=True))


def get_operator() -> Operator:
    return Operator.objects.get(id=current_operator_id())


_ABSENT = {
    "site": N_("There is no site here with this id."),
    "customer": N_("There is no customer here with this id."),
    "crew": N_("There is no crew here with this id."),
    "device": N_("There is no device here with this id."),
    "member": N_("There is no member here with this id."),
    "contact": N_("There is no contact here with this id."),
    "service agreement": N_("There is no service agreement here with this id."),
}


def _get(model: type[OperatorOwned], row_id: Any, what: str) -> Any:
    """The one way to a row by id: absent and foreign give the same answer."""
    try:
        return model.objects.get(id=row_id)
    except (model.DoesNotExist, ValidationError, ValueError):
        raise NotFound(_(_ABSENT[what])) from None


def get_site(site_id: UUID) -> Site:
    return _get(Site, site_id, "site")


def get_customer(customer_id: UUID) -> Customer:
    return _get(Customer, customer_id, "customer")


def get_crew(crew_id: UUID) -> Crew:
    return _get(Crew, crew_id, "crew")


def get_member(member_id: UUID) -> Member:
    return _get(Member, member_id, "member")


def get_contact(contact_id: UUID) -> SiteContact:
    return _get(SiteContact, contact_id, "contact")


def get_device(device_id: UUID) -> Device:
    return _get(Device, device_id, "device")


def get_agreement(agreement_id: UUID) -> ServiceAgreement:
    return _get(ServiceAgreement, agreement_id, "service agreement")


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


def get_user(user_id: UUID) -> User:
    """Global: people belong to no operator."""
    return User.objects.get(id=user_id)


def get_user_by_email(email: str) -> User | None:
    """Global: people belong to no operator."""
    return User.objects.filter(email=email.strip().lower()).first()


def office_device_id() -> UUID:
    return Device.objects.values_list("id", flat=True).get(kind="office")


def crews() -> QuerySet[Crew]:
    return Crew.objects.order_by("name")


def members() -> QuerySet[Member]:
    return Member.objects.select_related("user").order_by("name")


def devices() -> QuerySet[Device]:
    return Device.objects.order_by("label")


def customers() -> QuerySet[Customer]:
    return Customer.objects.order_by("code")


def sites() -> QuerySet[Site]:
    return Site.objects.order_by("code")


def agreements() -> QuerySet[ServiceAgreement]:
    return ServiceAgreement.objects.order_by("number")


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


def next_number(model: Literal["customer", "site", "agreement"]) -> str:
    """A code or number that is free, to begin a form with: C12, S12, A12."""
    table: Any = {"customer": Customer, "site": Site, "agreement": ServiceAgreement}[model]
    column = "number" if model == "agreement" else "code"
    letter = model[0].upper()
    taken = table.objects.filter(**{f"{column}__regex": rf"^{letter}\d{{1,9}}$"}).values_list(
        column, flat=True
    )
    return f"{letter}{max((int(one[1:]) for one in taken), default=0) + 1}"


def usual_country() -> str:
    """The country of the most customers; "" without any."""
    rows = Customer.objects.order_by().values("country").annotate(n=Count("id")).order_by("-n", "country")
    return next((row["country"] for row in rows[:1]), "")


def sites_without_agreement(day: date) -> QuerySet[Site]:
    """Sites where no service is agreed on a day or later, so that nothing is ever due there."""
    agreed = ServiceAgreement.objects.filter(site_id=OuterRef("id")).exclude(ends_on__lte=day)
    return Site.objects.filter(~Exists(agreed)).order_by("name")


def sites_of_crew(crew_id: UUID) -> int:
    """How many sites have a crew as their usual one."""
    return Site.objects.filter(crew_id=crew_id).count()


def counts() -> dict[str, int]:
    """How many customers, sites and active crews there are."""
    return {
        "customers": Customer.objects.count(),
        "sites": Site.objects.count(),
        "crews": Crew.objects.filter(is_active=True).count(),
        "phones": Device.objects.filter(kind="phone", revoked_at=None).count(),
    }


def customers_in(ids: Collection[UUID]) -> dict[UUID, Customer]:
    return {customer.id: customer for customer in Customer.objects.filter(id__in=ids)}


def known_site_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Site.objects.filter(id__in=ids).values_list("id", flat=True))


def known_member_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Member.objects.filter(id__in=ids).values_list("id", flat=True))


def known_crew_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Crew.objects.filter(id__in=ids).values_list("id", flat=True))


def contacts_to_tell(site_ids: Collection[UUID]) -> list[SiteContact]:
    """Whom the visits to these sites are told to by mail, by site and name."""
    wanting = SiteContact.objects.filter(site_id__in=site_ids, wants_announcements=True)
    return list(wanting.order_by("site_id", "name", "email"))


def site_zones() -> list[str]:
    """The zones in which this operator has sites."""
    return sorted(Site.objects.order_by().values_list("zone", flat=True).distinct())


def agreements_of(site_ids: Collection[UUID]) -> dict[UUID, list[ServiceAgreement]]:
    """The agreements of each site, the earliest first; a site without one has an empty list."""
    found: dict[UUID, list[ServiceAgreement]] = {site_id: [] for site_id in site_ids}
    for agreement in ServiceAgreement.objects.filter(site_id__in=site_ids).order_by("site_id", "starts_on"):
        found[agreement.site_id].append(agreement)
    return found


@dataclass(frozen=True, slots=True)
class AgreedTerms:
    """One agreement's terms as due days need them; ``ends_on`` is the first day that is no longer agreed."""

    anchor_on: date
    interval_months: int
    grace_before_days: int
    grace_after_days: int
    starts_on: date
    ends_on: date | None


@dataclass(frozen=True, slots=True)
class AgreedSite:
    """A site as due days and forecasts need it; ``terms`` the earliest first, none without an agreement."""

    zone: str
    kind: str
    hardness_mg_per_l: int | None
    dust: str
    terms: list[AgreedTerms]


# Asked by every upload: written out, since building it costs the ORM more than the database takes to answer.
_TERMS = """
SELECT s.id, s.zone, s.kind, s.hardness_mg_per_l, s.dust,
    a.anchor_on, a.interval_months, a.grace_before_days, a.grace_after_days, a.starts_on, a.ends_on
FROM accounts_site s
LEFT JOIN accounts_serviceagreement a ON a.operator_id = s.operator_id AND a.site_id = s.id
WHERE s.operator_id = %s AND s.id = ANY(%s) ORDER BY s.id, a.starts_on
"""


def agreed_sites(site_ids: Collection[UUID]) -> dict[UUID, AgreedSite]:
    """Each of these sites, with the terms agreed for it."""
    found: dict[UUID, AgreedSite] = {}
    with connections["default"].cursor() as cursor:
        cursor.execute(_TERMS, [current_operator_id(), list(site_ids)])
        for site_id, zone, kind, hardness, dust, *terms in cursor.fetchall():
            site = found.setdefault(site_id, AgreedSite(zone, kind, hardness, dust, []))
            if terms[0] is not None:
                site.terms.append(AgreedTerms(*terms))
    return found


def service_rules_on(day: date) -> ServiceRules:
    """The operator's values in force on a date; before the first row, and without one, the defaults."""
    rules = ServiceRules.objects.filter(effective_from__lte=day).order_by("-effective_from").first()
    return rules or ServiceRules(effective_from=date.min)


def service_rules() -> list[ServiceRules]:
    """The operator's values, oldest first; the defaults when it has set none."""
    rules = list(ServiceRules.objects.order_by("effective_from"))
    return rules or [ServiceRules(operator_id=current_operator_id(), effective_from=date.min)]


def default_service_rules() -> ServiceRules:
    """The values that hold while an operator has set none."""
    return ServiceRules(effective_from=date.min)


def service_rule_rows() -> QuerySet[ServiceRules]:
    """The rows that the operator has set, oldest first; none while the defaults hold."""
    return ServiceRules.objects.order_by("effective_from")
