"""Changes of customers and sites, and a first site with all that it hangs on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django.db import IntegrityError

from accounts import jobs, queries, tenancy
from accounts.commands.customers import (
    SITE_RANGES,
    TERMS,
    agreement_problems,
    customer_problems,
    site_problems,
)
from accounts.commands.masterdata import Check, conflict_of, refuse_absent_references, refuse_bad_rows
from accounts.errors import BadInput, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import Customer, ServiceAgreement, Site
from accounts.permissions import Actor, Permission, require

CUSTOMER_FIELDS = ("name", "address", "country")
# Neither the code, which stands in addresses and on papers, nor the zone and the customer, which the past hangs on.
SITE_FIELDS = (
    "name", "kind", "address", "area", "latitude", "longitude", "crew_id", "hardness_mg_per_l", "dust", "access",
)  # fmt: skip


def change_customer(*, actor: Actor, customer_id: UUID, **values: Any) -> Customer:
    """Other values of ``CUSTOMER_FIELDS``. Documents issued before keep what stood on them."""
    require(actor, Permission.CUSTOMERS_MANAGE)
    with tenancy.writing(actor):
        customer = queries.get_customer(customer_id)
        _change(customer, values, CUSTOMER_FIELDS)
        with pointing_at_one():
            refuse_bad_rows([customer], check=customer_problems)
        customer.save(update_fields=list(values))
        return customer


def change_site(*, actor: Actor, site_id: UUID, **values: Any) -> Site:
    """Other values of ``SITE_FIELDS``; NotFound for a crew that is not there.

    What is due and forecast there is owed anew: kind, hardness and dust enter the forecasts, the rest the lookout.
    """
    require(actor, Permission.SITES_MANAGE)
    with tenancy.writing(actor):
        site = queries.get_site(site_id)
        _change(site, values, SITE_FIELDS)
        zones = {site.zone}
        with pointing_at_one():
            refuse_bad_rows([site], ranges=SITE_RANGES, check=lambda row: site_problems(row, zones))
            refuse_absent_references([site])
        site.save(update_fields=list(values))
        jobs.enqueue(kind=jobs.DUE_REFRESH, dedup_key=f"site/{site_id}/{uuid7()}", ref=str(site_id))
        return site


def _change(row: Any, values: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for name, value in values.items():
        if name not in known:
            raise BadInput(_("This can't be changed: {name}.", name=name))
        setattr(row, name, value)


@dataclass(frozen=True, slots=True)
class Place:
    """A site with who pays for it and what is agreed."""

    customer: Customer
    site: Site
    agreement: ServiceAgreement


def add_place(
    *,
    actor: Actor,
    customer: Mapping[str, Any] | UUID,
    site: Mapping[str, Any],
    agreement: Mapping[str, Any],
) -> Place:
    """A customer (or the id of one that is there), its site and the agreement for it: all or none.

    Values as in ``add_customers``, ``add_sites`` and ``add_agreements``, without the references among them. Problems
    point at /customer, /site or /agreement.
    """
    for permission in (
        Permission.CUSTOMERS_MANAGE,
        Permission.SITES_MANAGE,
        Permission.AGREEMENTS_MANAGE,
    ):
        require(actor, permission)
    own = {"operator_id": actor.operator_id}
    zones = available_timezones()
    try:
        with tenancy.writing(actor):
            if isinstance(customer, UUID):
                payer = queries.get_customer(customer)
            else:
                payer = _checked("customer", Customer(id=uuid7(), **own, **customer), customer_problems)
                payer.save(force_insert=True)
            row = Site(id=uuid7(), customer_id=payer.id, **own, **site)
            place = _checked("site", row, lambda one: site_problems(one, zones), SITE_RANGES)
            place.save(force_insert=True)
            terms = ServiceAgreement(id=uuid7(), site_id=place.id, **own, **agreement)
            agreed = _checked("agreement", terms, agreement_problems, TERMS)
            agreed.save(force_insert=True)
    except IntegrityError as clash:
        made: list[tuple[Any, Any]] = [(Customer, customer), (Site, site), (ServiceAgreement, agreement)]
        raise _first_conflict(actor, made, clash) from clash
    return Place(payer, place, agreed)


def _checked(what: str, row: Any, check: Check, ranges: Any = None) -> Any:
    try:
        refuse_bad_rows([row], ranges=ranges, check=check)
        refuse_absent_references([row])
    except BadInput as refusal:
        refusal.errors = [
            Problem(one.pointer.replace("/0/", f"/{what}/", 1), one.code, one.detail)
            for one in refusal.errors
        ]
        raise
    return row


def _first_conflict(actor: Actor, made: list[tuple[Any, Any]], clash: IntegrityError) -> Exception:
    for model, values in made:
        if isinstance(values, UUID):
            continue
        refusal = conflict_of(
            actor, model, [model(id=uuid7(), operator_id=actor.operator_id, **values)], clash
        )
        if refusal.errors:
            what = "agreement" if model is ServiceAgreement else model._meta.model_name
            refusal.errors = [
                Problem(one.pointer.replace("/0/", f"/{what}/", 1), one.code, one.detail)
                for one in refusal.errors
            ]
            return refusal
    return refusal
