"""Customers, their sites, and what was agreed for them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django.db import IntegrityError

from accounts import jobs, queries, tenancy
from accounts.errors import BadInput, Conflict
from accounts.ids import uuid7
from accounts.models import Customer, ServiceAgreement, Site
from accounts.permissions import Actor, Permission, require


def add_customers(*, actor: Actor, customers: Sequence[dict[str, Any]]) -> list[Customer]:
    """Each: code, name, country, and billing_email, address, id if known."""
    require(actor, Permission.CUSTOMERS_MANAGE)
    return _insert(actor, Customer, customers)


def add_sites(*, actor: Actor, sites: Sequence[dict[str, Any]]) -> list[Site]:
    """Each: customer_id, code, name, kind, zone, and address, area, latitude, longitude, crew_id, id if known."""
    require(actor, Permission.SITES_MANAGE)
    zones = available_timezones()
    for site in sites:
        if site["zone"] not in zones:
            raise BadInput(f"{site['zone']} is no time zone of the IANA list, such as Europe/Berlin.")
    return _insert(actor, Site, sites)


def add_agreements(*, actor: Actor, agreements: Sequence[dict[str, Any]]) -> list[ServiceAgreement]:
    """Each: site_id, number, anchor_on, starts_on, and interval_months, grace days, ends_on, id if they differ."""
    require(actor, Permission.AGREEMENTS_MANAGE)
    return _insert(actor, ServiceAgreement, agreements, refresh=True)


def end_agreement(*, actor: Actor, agreement_id: UUID, ends_on: date) -> ServiceAgreement:
    """End an agreement; ``ends_on`` is the first day that is no longer agreed. An end once set does not move."""
    require(actor, Permission.AGREEMENTS_MANAGE)
    with tenancy.writing(actor):
        agreement = queries.get_agreement(agreement_id)
        if ends_on <= agreement.starts_on:
            raise BadInput(f"The agreement starts on {agreement.starts_on}; its end must lie after that.")
        changed = ServiceAgreement.objects.filter(id=agreement_id, ends_on=None).update(ends_on=ends_on)
        if not changed:
            raise Conflict(f"The agreement ends on {agreement.ends_on} already.")
        _owe_refresh([agreement.site_id], f"{agreement_id}/end")
        agreement.ends_on = ends_on
        return agreement


def set_usual_crew(*, actor: Actor, site_id: UUID, crew_id: UUID) -> Site:
    require(actor, Permission.SITES_MANAGE)
    with tenancy.writing(actor):
        site = queries.get_site(site_id)
        site.crew = queries.get_crew(crew_id)
        site.save(update_fields=["crew"])
        return site


def _insert(actor: Actor, model: Any, rows: Sequence[dict[str, Any]], *, refresh: bool = False) -> list[Any]:
    made = [model(**{"id": uuid7(), "operator_id": actor.operator_id, **row}) for row in rows]
    try:
        with tenancy.writing(actor):
            model.objects.bulk_create(made, batch_size=1_000)
            if refresh:
                _owe_refresh([row.site_id for row in made], str(made[0].id) if made else "")
    except IntegrityError as clash:
        raise Conflict(
            f"Nothing was added: a {model._meta.verbose_name} of this code or number exists, "
            "two agreements of a site overlap, or what it belongs to does not exist."
        ) from clash
    return made


def _owe_refresh(site_ids: Sequence[UUID], key: str) -> None:
    for site_id in set(site_ids):
        jobs.enqueue(kind=jobs.DUE_REFRESH, dedup_key=f"{key}/{site_id}", ref=str(site_id))
