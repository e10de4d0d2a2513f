"""Customers, their sites, and what was agreed for them."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from datetime import date
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError
from django.db.models import ProtectedError

from accounts import jobs, queries, tenancy
from accounts.commands.masterdata import (
    ADDRESS_CODE,
    ADDRESS_CODE_MEANING,
    conflict_of,
    insert_rows,
    refuse_absent_references,
    refuse_bad_rows,
)
from accounts.errors import BadInput, Conflict, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import Customer, ServiceAgreement, Site
from accounts.permissions import Actor, Permission, require
from accounts.queries.versions import version_of

COUNTRY = re.compile(r"[A-Z]{2}\Z")
# The hardest waters that people are supplied with have some 1,000 mg/L as CaCO3: common practice, no source.
HARDNESS = (0, 2_000)
SITE_RANGES = {"latitude": (-90, 90), "longitude": (-180, 180), "hardness_mg_per_l": HARDNESS}
# A month has at least 28 days: windows of grace must not swallow each other.
TERMS = {"interval_months": (1, 12), "grace_before_days": (0, 13), "grace_after_days": (0, 14)}
FIRST_YEAR, LAST_YEAR = 1900, 2199  # beyond them a date is a slip of the pen


def add_customers(*, actor: Actor, customers: Sequence[dict[str, Any]]) -> list[Customer]:
    """Each: code, name, country (ISO 3166-1 alpha-2), and billing_email, address, id if known. All or none."""
    require(actor, Permission.CUSTOMERS_MANAGE)
    return insert_rows(actor, Customer, customers, check=customer_problems)


def customer_problems(customer: Customer) -> list[Problem]:
    if COUNTRY.match(customer.country):
        return []
    return [Problem("/country", "country", _("A country is two capital letters of ISO 3166-1, such as DE."))]


def set_billing_email(*, actor: Actor, customer_id: UUID, email: str) -> Customer:
    """Where a customer's documents are mailed from now on; "": nowhere. What was sent stays with the address it went to."""
    require(actor, Permission.DOCUMENTS_SEND)
    try:
        if email:
            validate_email(email)
    except ValidationError:
        detail = _("This is no e-mail address, such as accounts@customer.example. Nothing was changed.")
        raise BadInput(detail, errors=[Problem("/email", "email", detail)]) from None
    with tenancy.writing(actor):
        customer = queries.get_customer(customer_id)
        customer.billing_email = email
        customer.save(update_fields=["billing_email"])
        return customer


def lock_customer(customer_id: UUID) -> Customer:
    """Inside the transaction: nobody else changes this customer until it ends. NotFound without it."""
    found = Customer.objects.select_for_update(no_key=True).filter(id=customer_id).first()
    return found or queries.get_customer(customer_id)


def lock_customers(ids: Collection[UUID]) -> set[UUID]:
    """Inside the transaction: those of these customers that are there, and stay until it ends."""
    rows = Customer.objects.select_for_update(no_key=True).filter(id__in=ids).order_by("id")
    return set(rows.values_list("id", flat=True))


def remove_customer(
    *, actor: Actor, customer_id: UUID, let_pass: Callable[[int], None] | None = None
) -> None:
    """Remove a customer that was entered by mistake; how it is billed goes with it. Conflict once anything hangs on it.

    ``let_pass`` is asked with its version while nobody else can change it, and raises what refuses.
    """
    require(actor, Permission.CUSTOMERS_MANAGE)
    try:
        with tenancy.writing(actor):
            customer = lock_customer(customer_id)
            if let_pass:
                let_pass(version_of("customer", customer_id))
            customer.delete()
    except (ProtectedError, IntegrityError) as clash:
        raise Conflict(
            _(
                "Something is recorded of this customer already: a site, an agreement, a document, a payment or a link. "
                "So it stays; nothing was removed."
            ),
            code="in-use",
        ) from clash


def add_sites(*, actor: Actor, sites: Sequence[dict[str, Any]]) -> list[Site]:
    """Each: customer_id, code, name, kind, zone; address, area, latitude, longitude, crew_id, hardness_mg_per_l, id if known;
    dust if it is not normal.
    """
    require(actor, Permission.SITES_MANAGE)
    zones = available_timezones()
    return insert_rows(actor, Site, sites, ranges=SITE_RANGES, check=lambda site: site_problems(site, zones))


def site_problems(site: Site, zones: set[str]) -> list[Problem]:
    problems = []
    if not ADDRESS_CODE.match(site.code):
        problems.append(Problem("/code", "code", _(ADDRESS_CODE_MEANING)))
    if site.zone not in zones:
        problems.append(
            Problem(
                "/zone",
                "zone",
                _("{zone} is no time zone of the IANA list, such as Europe/Berlin.", zone=site.zone),
            )
        )
    if (site.latitude is None) != (site.longitude is None):
        missing = "latitude" if site.latitude is None else "longitude"
        problems.append(
            Problem(f"/{missing}", "missing", _("Give latitude and longitude together, or neither."))
        )
    return problems


def add_agreements(*, actor: Actor, agreements: Sequence[dict[str, Any]]) -> list[ServiceAgreement]:
    """Each: site_id, number, anchor_on, starts_on, and interval_months, grace days, ends_on, id if they differ."""
    require(actor, Permission.AGREEMENTS_MANAGE)
    return insert_rows(
        actor, ServiceAgreement, agreements, ranges=TERMS, check=agreement_problems, after=_owe_first_refresh
    )


def agreement_problems(agreement: ServiceAgreement) -> list[Problem]:
    problems = [
        Problem(
            f"/{name}",
            "out-of-range",
            _(
                "A date of an agreement lies in the years {first} to {last}.",
                first=FIRST_YEAR,
                last=LAST_YEAR,
            ),
        )
        for name in ("anchor_on", "starts_on", "ends_on")
        if (on := getattr(agreement, name)) is not None and not FIRST_YEAR <= on.year <= LAST_YEAR
    ]
    if agreement.ends_on is not None and agreement.ends_on <= agreement.starts_on:
        problems.append(
            Problem("/ends_on", "before-start", _("An agreement ends after the day it starts on."))
        )
    return problems


def _owe_first_refresh(made: list[ServiceAgreement]) -> None:
    _owe_refresh([agreement.site_id for agreement in made], str(made[0].id) if made else "")


def end_agreement(*, actor: Actor, agreement_id: UUID, ends_on: date) -> ServiceAgreement:
    """End an agreement; ``ends_on`` is the first day that is no longer agreed. An end once set does not move."""
    require(actor, Permission.AGREEMENTS_MANAGE)
    with tenancy.writing(actor):
        agreement = queries.get_agreement(agreement_id)
        if not agreement.starts_on < ends_on <= date(LAST_YEAR, 12, 31):
            problem = Problem(
                "/ends_on",
                "out-of-range",
                _(
                    "The agreement starts on {day}; its end must lie after that, up to {year}.",
                    day=agreement.starts_on,
                    year=LAST_YEAR,
                ),
            )
            raise BadInput(problem.detail, errors=[problem])
        changed = ServiceAgreement.objects.filter(id=agreement_id, ends_on=None).update(ends_on=ends_on)
        if not changed:
            raise Conflict(_("The agreement ends on {day} already.", day=agreement.ends_on))
        _owe_refresh([agreement.site_id], f"{agreement_id}/end")
        agreement.ends_on = ends_on
        return agreement


def follow_agreement(*, actor: Actor, agreement_id: UUID, **terms: Any) -> ServiceAgreement:
    """Other terms from ``starts_on`` on: the agreement ends there and one with these terms begins, both or neither.

    ``terms``: number, anchor_on, starts_on, and interval_months, grace days if they differ from the usual ones.
    """
    require(actor, Permission.AGREEMENTS_MANAGE)
    try:
        with tenancy.writing(actor):
            before = queries.get_agreement(agreement_id)
            after = ServiceAgreement(
                id=uuid7(), operator_id=actor.operator_id, site_id=before.site_id, **terms
            )
            with pointing_at_one():
                refuse_bad_rows([after], ranges=TERMS, check=agreement_problems)
            if not before.starts_on < after.starts_on <= (before.ends_on or after.starts_on):
                early = _(
                    "The new terms begin after {day}, when those before began, and not after these ended.",
                    day=before.starts_on,
                )
                raise BadInput(early, errors=[Problem("/starts_on", "out-of-range", early)])
            if before.ends_on is None:
                ServiceAgreement.objects.filter(id=agreement_id).update(ends_on=after.starts_on)
            after.save(force_insert=True)
            _owe_refresh([before.site_id], str(after.id))
            return after
    except IntegrityError as clash:
        raise conflict_of(actor, ServiceAgreement, [after], clash) from clash


def set_usual_crew(*, actor: Actor, site_id: UUID, crew_id: UUID) -> Site:
    """The crew that goes to a site unless said otherwise. NotFound for a site or crew that is not there."""
    require(actor, Permission.SITES_MANAGE)
    with tenancy.writing(actor):
        site = queries.get_site(site_id)
        site.crew_id = crew_id
        refuse_absent_references([site])
        site.save(update_fields=["crew"])
        return site


def _owe_refresh(site_ids: Sequence[UUID], key: str) -> None:
    refs = {f"{key}/{site_id}": str(site_id) for site_id in site_ids}
    jobs.enqueue_all(kind=jobs.DUE_REFRESH, refs=refs)
