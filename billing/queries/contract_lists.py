"""What the pages of contracts list beside them: how many sites each covers, how it bills, and its own prices."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from uuid import UUID

from django.db.models import Count, Q, QuerySet

from billing.models import Contract, ContractSite, ContractTerms, PriceVersion


def site_counts(contract_ids: Collection[UUID], today: date) -> dict[UUID, int]:
    """How many sites each of these contracts covers on a day; one that covers none is left out."""
    rows = ContractSite.objects.filter(contract_id__in=contract_ids, starts_on__lte=today)
    rows = rows.filter(Q(ends_before=None) | Q(ends_before__gt=today)).order_by().values("contract_id")
    return dict(rows.annotate(sites=Count("site_id", distinct=True)).values_list("contract_id", "sites"))


def modes_on(contract_ids: Collection[UUID], today: date) -> dict[UUID, str]:
    """How each of these contracts bills on a day, by the latest terms that had begun; one without any is left out."""
    rows = ContractTerms.objects.filter(contract_id__in=contract_ids, effective_from__lte=today)
    latest = rows.order_by("contract_id", "-effective_from").distinct("contract_id")
    return dict(latest.values_list("contract_id", "mode"))


def prices_of(contract_id: UUID) -> QuerySet[PriceVersion]:
    """A contract's own prices, for all its sites or for one, by item and day."""
    rows = PriceVersion.objects.select_related("item", "site").filter(contract_id=contract_id)
    return rows.order_by("item__code", "site__code", "effective_from")


def prices_in_contracts(today: date) -> dict[str, int]:
    """By an item's code how many prices of contracts hold on a day; an item without any is left out."""
    rows = PriceVersion.objects.filter(contract__isnull=False, effective_from__lte=today)
    rows = rows.filter(Q(effective_to=None) | Q(effective_to__gt=today)).order_by().values("item__code")
    return dict(rows.annotate(prices=Count("id")).values_list("item__code", "prices"))


def contracts_of_customer(customer_id: UUID) -> QuerySet[Contract]:
    """A customer's contracts by number."""
    return Contract.objects.filter(customer_id=customer_id).order_by("number")
