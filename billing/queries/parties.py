"""Reads of who sells, who pays and what is taxed how, inside an operator's scope.

What a close freezes comes as plain values, in one statement whatever the number of rows.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

import accounts.queries
from accounts.errors import NotFound
from accounts.languages import _
from billing.models import BillingProfile, LegalEntity, PurchaseOrder, SiteBilling, TaxRate
from billing.rules.parties import Entity, Order, Profile, Rate, SiteTax

_ENTITY = (
    "id", "code", "legal_name", "currency", "country", "street", "city", "postcode", "subdivision", "vat_id",
    "registration", "regime", "tax_jurisdiction", "tax_basis", "cash_rounding", "payment_days", "iban", "bic", "bank_name",
    "email", "phone",
)  # fmt: skip
_PROFILE = (
    "customer_id", "bill_to_id", "street", "city", "postcode", "subdivision", "vat_id", "buyer_reference", "tax_treatment",
    "tax_jurisdiction", "exemption_reason", "payment_days", "po_required", "line_pos", "delivery", "invoice_minimum",
)  # fmt: skip
_ORDER = ("id", "customer_id", "site_id", "number", "starts_on", "ends_before", "limit", "currency")
_RATE = (
    "jurisdiction", "tax_class", "category", "rate", "name", "exemption_reason", "effective_from", "effective_to",
)  # fmt: skip


# Rows for the doors


def legal_entities() -> QuerySet[LegalEntity]:
    return LegalEntity.objects.order_by("code")


def get_legal_entity(code: str) -> LegalEntity:
    entity = LegalEntity.objects.filter(code=code).first()
    if entity is None:
        raise NotFound(_("There is no legal entity here with this code."))
    return entity


def billing_profiles() -> QuerySet[BillingProfile]:
    return BillingProfile.objects.order_by("customer_id")


def get_billing_profile(customer_id: UUID) -> BillingProfile:
    """The row of a customer, or an unsaved one with the values that hold without one. NotFound without the customer."""
    customer = accounts.queries.get_customer(customer_id)
    row = BillingProfile.objects.filter(customer_id=customer.id).first()
    return row or BillingProfile(customer_id=customer.id)


def site_billing_rows() -> QuerySet[SiteBilling]:
    return SiteBilling.objects.order_by("site_id")


def site_billing_of(site_ids: Collection[UUID]) -> QuerySet[SiteBilling]:
    return site_billing_rows().filter(site_id__in=site_ids)


def purchase_order_rows() -> QuerySet[PurchaseOrder]:
    return PurchaseOrder.objects.order_by("id")


def get_purchase_order(order_id: UUID) -> PurchaseOrder:
    order = PurchaseOrder.objects.filter(id=order_id).first()
    if order is None:
        raise NotFound(_("There is no purchase order here with this id."))
    return order


def tax_rate_rows() -> QuerySet[TaxRate]:
    return TaxRate.objects.order_by("jurisdiction", "tax_class", "effective_from")


def paid_for_by(customer_id: UUID) -> set[UUID]:
    """The customers whose documents this one gets and pays, itself among them unless it has a payer of its own."""
    others = BillingProfile.objects.filter(bill_to_id=customer_id).values_list("customer_id", flat=True)
    return {customer_id, *others}


# Plain values, for a close


def default_entity() -> Entity:
    """Who issues where a contract names nobody: the default legal entity, else the operator in its own name."""
    rows = LegalEntity.objects.filter(is_default=True).values_list(*_ENTITY)
    return next((Entity(*row) for row in rows), None) or _own_name()


def entities() -> dict[UUID | None, Entity]:
    """Every legal entity by its id, and under None who issues where a contract names nobody."""
    rows = LegalEntity.objects.order_by("code").values_list("is_default", *_ENTITY)
    found: dict[UUID | None, Entity] = {}
    for is_default, *values in rows:
        entity = Entity(*values)
        found[entity.id] = entity
        if is_default:
            found[None] = entity
    return found if None in found else {None: _own_name(), **found}


def profiles(customer_ids: Collection[UUID] | None = None) -> dict[UUID, Profile]:
    """By customer, of these customers or (None) of all; a customer without a row is left out and has the defaults."""
    rows = _among(BillingProfile, "customer_id", customer_ids).order_by("customer_id")
    return {row[0]: Profile(*row) for row in rows.values_list(*_PROFILE)}


def site_billings(site_ids: Collection[UUID] | None = None) -> dict[UUID, SiteTax]:
    """By site, of these sites or (None) of all; a site without a row is left out."""
    rows = _among(SiteBilling, "site_id", site_ids).order_by("site_id")
    return {row[0]: SiteTax(*row) for row in rows.values_list("site_id", "tax_jurisdiction", "cost_centre")}


def purchase_orders(customer_ids: Collection[UUID] | None = None) -> tuple[Order, ...]:
    """Of these customers or (None) of all: by customer, then the one that begins first, then by number."""
    rows = _among(PurchaseOrder, "customer_id", customer_ids).order_by("customer_id", "starts_on", "number")
    return tuple(Order(*row) for row in rows.values_list(*_ORDER))


def tax_rates() -> tuple[Rate, ...]:
    """Every tax rate by jurisdiction, class and day."""
    return tuple(Rate(*row) for row in tax_rate_rows().values_list(*_RATE))


def _among(model: Any, column: str, ids: Collection[UUID] | None) -> QuerySet[Any]:
    return model.objects.all() if ids is None else model.objects.filter(**{f"{column}__in": ids})


def _own_name() -> Entity:
    operator = accounts.queries.get_operator()
    return Entity(id=None, code="", legal_name=operator.legal_name, currency=operator.currency)
