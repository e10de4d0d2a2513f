"""What would be refused of new rows by themselves, so that a preview can say it; nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import uuid4
from zoneinfo import available_timezones

from accounts.commands.customers import (
    SITE_RANGES,
    TERMS,
    agreement_problems,
    customer_problems,
    site_problems,
)
from accounts.commands.masterdata import refuse_bad_rows
from accounts.errors import BadInput, Problem
from accounts.models import Customer, ServiceAgreement, Site
from accounts.permissions import Actor


def problems_of_customers(*, actor: Actor, customers: Sequence[Mapping[str, Any]]) -> list[Problem]:
    """As ``add_customers`` would name them: pointers begin with the row's index."""
    return _problems(actor, Customer, customers, check=customer_problems)


def problems_of_sites(*, actor: Actor, sites: Sequence[Mapping[str, Any]]) -> list[Problem]:
    """As ``add_sites`` would name them."""
    zones = available_timezones()
    return _problems(actor, Site, sites, ranges=SITE_RANGES, check=lambda site: site_problems(site, zones))


def problems_of_agreements(*, actor: Actor, agreements: Sequence[Mapping[str, Any]]) -> list[Problem]:
    """As ``add_agreements`` would name them."""
    return _problems(actor, ServiceAgreement, agreements, ranges=TERMS, check=agreement_problems)


def _problems(actor: Actor, model: Any, values: Sequence[Mapping[str, Any]], **how: Any) -> list[Problem]:
    rows = [model(**{"id": uuid4(), "operator_id": actor.operator_id, **row}) for row in values]
    try:
        refuse_bad_rows(rows, **how)
    except BadInput as refusal:
        return refusal.errors
    return []
