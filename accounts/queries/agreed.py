"""What is agreed for the sites, the operator's own rules, and how much is set up, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal
from uuid import UUID

from django.db import connections
from django.db.models import Exists, OuterRef, QuerySet

from accounts.models import (
    Crew,
    Customer,
    Device,
    ServiceAgreement,
    ServiceRules,
    Site,
)
from accounts.queries.by_id import row_by_id
from accounts.tenancy import current_operator_id


def get_agreement(agreement_id: UUID) -> ServiceAgreement:
    return row_by_id(ServiceAgreement, agreement_id, "service agreement")


def agreements() -> QuerySet[ServiceAgreement]:
    return ServiceAgreement.objects.order_by("number")


def next_number(model: Literal["customer", "site", "agreement"]) -> str:
    """A code or number that is free, to begin a form with: C12, S12, A12."""
    table: Any = {"customer": Customer, "site": Site, "agreement": ServiceAgreement}[model]
    column = "number" if model == "agreement" else "code"
    letter = model[0].upper()
    taken = table.objects.filter(**{f"{column}__regex": rf"^{letter}\d{{1,9}}$"}).values_list(
        column, flat=True
    )
    return f"{letter}{max((int(one[1:]) for one in taken), default=0) + 1}"


def sites_without_agreement(day: date) -> QuerySet[Site]:
    """Sites where no service is agreed on a day or later, so that nothing is ever due there."""
    agreed = ServiceAgreement.objects.filter(site_id=OuterRef("id")).exclude(ends_on__lte=day)
    return Site.objects.filter(~Exists(agreed)).order_by("name")


def counts() -> dict[str, int]:
    """How many customers, sites and active crews there are."""
    return {
        "customers": Customer.objects.count(),
        "sites": Site.objects.count(),
        "crews": Crew.objects.filter(is_active=True).count(),
        "phones": Device.objects.filter(kind="phone", revoked_at=None).count(),
    }


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
