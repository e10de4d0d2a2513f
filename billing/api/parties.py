"""The API of who sells and who pays: legal entities, billing profiles, site billing, purchase orders, tax rates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import (
    OperatorView,
    RowsView,
    Sent,
    add_sent,
    one_or_many,
    required_match,
    sent_by,
    version_tag,
)
from accounts.doors.versions import VersionedRowView
from accounts.permissions import Permission
from billing.commands import parties as commands
from billing.commands.parties import MOST_PAYMENT_DAYS
from billing.models import BillingProfile, LegalEntity, PurchaseOrder, SiteBilling, TaxRate
from billing.models.parties import (
    DELIVERIES,
    REGIMES,
    TAX_BASES,
    TAX_CATEGORIES,
    TAX_CLASSES,
    TREATMENTS,
)
from billing.queries import parties
from billing.queries.feed.versions import version_of
from billing.rules.money import PRICE_DECIMALS

JURISDICTION_HELP = "A country of ISO 3166-1, and parts of it after dashes: DE, US-CO."
CURRENCY = r"^[A-Z]{3}$"


def _text(most: int, help_text: str = "") -> serializers.CharField:
    return serializers.CharField(max_length=most, required=False, allow_blank=True, help_text=help_text)


def _days(help_text: str, **more: Any) -> serializers.IntegerField:
    return serializers.IntegerField(
        min_value=0, max_value=MOST_PAYMENT_DAYS, required=False, help_text=help_text, **more
    )


class LegalEntityShown(serializers.Serializer[LegalEntity]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    legal_name = serializers.CharField()
    street = serializers.CharField()
    city = serializers.CharField()
    postcode = serializers.CharField()
    subdivision = serializers.CharField()
    country = serializers.CharField(help_text="ISO 3166-1 alpha-2.")
    vat_id = serializers.CharField()
    registration = serializers.CharField()
    regime = serializers.ChoiceField(REGIMES, help_text="What tax it adds.")
    tax_jurisdiction = serializers.CharField(help_text="Where its supplies are taxed unless said otherwise.")
    tax_basis = serializers.ChoiceField(TAX_BASES, help_text="Whether tax is rounded by document or by line.")
    currency = serializers.CharField(help_text="ISO 4217.")
    cash_rounding = serializers.DecimalField(20, 4)
    payment_days = serializers.IntegerField()
    iban = serializers.CharField()
    bic = serializers.CharField()
    bank_name = serializers.CharField()
    email = serializers.CharField()
    phone = serializers.CharField()
    accounts = serializers.DictField(
        child=serializers.CharField(), help_text="Own numbers of ledger accounts."
    )
    reminder_days = serializers.ListField(child=serializers.IntegerField(), help_text="Days past due.")
    is_default = serializers.BooleanField(help_text="It issues where a contract names nobody.")


class LegalEntitySent(Sent):
    """What is left out stays as it was, or is usual for a new one."""

    code = serializers.RegexField("^[A-Z0-9]{1,10}$", help_text="It stands in the numbers of documents.")
    legal_name = serializers.CharField(max_length=200, required=False)
    street = _text(200)
    city = _text(100)
    postcode = _text(20)
    subdivision = _text(60)
    country = serializers.RegexField("^[A-Z]{2}$", required=False, help_text="ISO 3166-1 alpha-2.")
    vat_id = _text(30, "Needed where VAT or GST is added.")
    registration = _text(60)
    regime = serializers.ChoiceField(REGIMES, required=False, help_text="What tax it adds.")
    tax_jurisdiction = _text(20, JURISDICTION_HELP)
    tax_basis = serializers.ChoiceField(TAX_BASES, required=False)
    currency = serializers.RegexField(
        CURRENCY, required=False, help_text="ISO 4217; the operator's unless given."
    )
    cash_rounding = serializers.DecimalField(
        20, 4, min_value=0, required=False, help_text="What totals in cash are rounded to; 0 for not at all."
    )
    payment_days = _days("When a document is due after its day.")
    iban = _text(40)
    bic = _text(20)
    bank_name = _text(100)
    email = serializers.EmailField(max_length=254, required=False, allow_blank=True)
    phone = _text(40)
    accounts = serializers.DictField(
        child=serializers.CharField(max_length=20),
        required=False,
        help_text="Own numbers of ledger accounts.",
    )
    reminder_days = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=MOST_PAYMENT_DAYS),
        required=False,
        help_text="After how many days past due each reminder goes out; 7, 21 and 35 unless given.",
    )
    is_default = serializers.BooleanField(
        required=False, help_text="It issues where a contract names nobody. The first one does."
    )


class BillingProfileShown(serializers.Serializer[BillingProfile]):
    customer = serializers.UUIDField(source="customer_id")
    bill_to = serializers.UUIDField(
        source="bill_to_id", allow_null=True, help_text="Who gets and pays its documents in its place."
    )
    street = serializers.CharField()
    city = serializers.CharField()
    postcode = serializers.CharField()
    subdivision = serializers.CharField()
    vat_id = serializers.CharField()
    buyer_reference = serializers.CharField()
    tax_treatment = serializers.ChoiceField(TREATMENTS)
    tax_jurisdiction = serializers.CharField()
    exemption_reason = serializers.CharField()
    payment_days = serializers.IntegerField(allow_null=True, help_text="Null: as who issues has it.")
    po_required = serializers.BooleanField()
    line_pos = serializers.BooleanField()
    delivery = serializers.ChoiceField(DELIVERIES)
    invoice_minimum = serializers.DecimalField(20, PRICE_DECIMALS, allow_null=True)


class BillingProfileSent(Sent):
    """What is left out stays as it was."""

    bill_to = serializers.UUIDField(
        source="bill_to_id",
        required=False,
        allow_null=True,
        help_text="A customer that gets and pays the documents in its place.",
    )
    street = _text(200)
    city = _text(100)
    postcode = _text(20)
    subdivision = _text(60)
    vat_id = _text(30)
    buyer_reference = _text(60)
    tax_treatment = serializers.ChoiceField(TREATMENTS, required=False)
    tax_jurisdiction = _text(20, JURISDICTION_HELP)
    exemption_reason = _text(200, "Why there is no tax; it stands on every document.")
    payment_days = _days("Null: as who issues has it.", allow_null=True)
    po_required = serializers.BooleanField(required=False, help_text="Nothing is billed without an order.")
    line_pos = serializers.BooleanField(
        required=False, help_text="Whether one document may hold lines of several orders."
    )
    delivery = serializers.ChoiceField(DELIVERIES, required=False)
    invoice_minimum = serializers.DecimalField(
        15, PRICE_DECIMALS, min_value=0, required=False, allow_null=True, help_text="Net."
    )


class SiteBillingShown(serializers.Serializer[SiteBilling]):
    site = serializers.UUIDField(source="site_id")
    tax_jurisdiction = serializers.CharField(help_text="Empty: where its seller is taxed.")
    cost_centre = serializers.CharField()


class SiteBillingSent(Sent):
    site = serializers.UUIDField(source="site_id")
    tax_jurisdiction = _text(20, JURISDICTION_HELP)
    cost_centre = _text(60, "The customer's own; it stands on the lines.")


class PurchaseOrderShown(serializers.Serializer[PurchaseOrder]):
    id = serializers.UUIDField()
    customer = serializers.UUIDField(source="customer_id")
    site = serializers.UUIDField(source="site_id", allow_null=True, help_text="Null: for all its sites.")
    number = serializers.CharField()
    starts_on = serializers.DateField()
    ends_before = serializers.DateField(allow_null=True, help_text="The first day it no longer holds.")
    limit = serializers.DecimalField(20, 4, allow_null=True, help_text="Net.")
    currency = serializers.CharField()


class PurchaseOrderSent(Sent):
    customer = serializers.UUIDField(source="customer_id")
    site = serializers.UUIDField(
        source="site_id", required=False, allow_null=True, help_text="Left out: for all its sites."
    )
    number = serializers.CharField(max_length=60)
    starts_on = serializers.DateField()
    ends_before = serializers.DateField(
        required=False, allow_null=True, help_text="The first day it no longer holds."
    )
    limit = serializers.DecimalField(
        20, 4, min_value=0, required=False, allow_null=True, help_text="Net; left out for none."
    )
    currency = serializers.RegexField(
        CURRENCY, required=False, help_text="ISO 4217; that of who issues unless given."
    )


class PurchaseOrderEndSent(Sent):
    ends_before = serializers.DateField(
        allow_null=True, help_text="The first day it no longer holds; null: it holds until further notice."
    )


class TaxRateShown(serializers.Serializer[TaxRate]):
    id = serializers.UUIDField()
    jurisdiction = serializers.CharField()
    tax_class = serializers.ChoiceField(TAX_CLASSES)
    category = serializers.ChoiceField(TAX_CATEGORIES, help_text="EN 16931, BT-118.")
    rate = serializers.DecimalField(7, 4, help_text="In percent.")
    name = serializers.CharField()
    exemption_reason = serializers.CharField()
    effective_from = serializers.DateField()
    effective_to = serializers.DateField(allow_null=True, help_text="The first day that has another rate.")


class TaxRateSent(Sent):
    jurisdiction = serializers.CharField(max_length=20, help_text=JURISDICTION_HELP)
    tax_class = serializers.ChoiceField(TAX_CLASSES)
    category = serializers.ChoiceField(TAX_CATEGORIES, help_text="EN 16931, BT-118.")
    rate = serializers.DecimalField(7, 4, min_value=0, max_value=100, help_text="In percent.")
    name = _text(60, "As it stands on documents.")
    exemption_reason = _text(200, "Needed for the categories E, AE, K, G and O.")
    effective_from = serializers.DateField()
    effective_to = serializers.DateField(
        required=False, allow_null=True, help_text="Left out: until the next one begins."
    )


class SiteBillingFilter(filters.FilterSet):
    site = filters.UUIDFilter("site_id")


class PurchaseOrderFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")
    site = filters.UUIDFilter("site_id")


class LegalEntities(RowsView):
    """Who issues documents; without one the operator does, in its own name and without tax."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    recent = ("POST",)
    serializer_class = LegalEntityShown
    ordering = ("code",)

    def rows(self) -> QuerySet[LegalEntity]:
        return parties.legal_entities()

    @extend_schema(request=LegalEntitySent, responses={201: LegalEntityShown})
    def post(self, request: Request) -> Response:
        """Make the legal entity of a code, or change it."""
        values = sent_by(request, LegalEntitySent)
        made = commands.set_legal_entity(actor=self.actor, code=values.pop("code"), values=values)
        return Response(LegalEntityShown(made).data, status=201)


class BillingProfiles(RowsView):
    """What billing knows of the customers that it was told something about."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = BillingProfileShown
    ordering = ("customer_id",)

    def rows(self) -> QuerySet[BillingProfile]:
        return parties.billing_profiles()


class CustomerBillingProfile(VersionedRowView):
    """What billing knows of a customer. Its version is the customer's: the two are told of together."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = BillingProfileShown
    kind = "customer"

    def row(self, customer_id: UUID) -> BillingProfile:  # type: ignore[override]
        return parties.get_billing_profile(customer_id)

    @extend_schema(request=BillingProfileSent, responses={200: BillingProfileShown})
    def post(self, request: Request, customer_id: UUID) -> Response:
        """Tell billing something of a customer, if it is as you saw it: a program says so with If-Match."""
        commands.set_profile(
            actor=self.actor,
            customer_id=customer_id,
            values=sent_by(request, BillingProfileSent),
            let_pass=lambda version: required_match(request, version_tag(self.kind, customer_id, version)),
        )
        return self.get(request, customer_id=customer_id)

    def tag_of(self, row: BillingProfile) -> str:
        return version_tag(self.kind, row.customer_id, version_of(self.kind, row.customer_id))


class SiteBillings(RowsView):
    """Where sites are taxed, and their customers' cost centres."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = SiteBillingShown
    filterset_class = SiteBillingFilter
    ordering = ("site_id",)

    def rows(self) -> QuerySet[SiteBilling]:
        return parties.site_billing_rows()

    @extend_schema(
        request=one_or_many(SiteBillingSent), responses={201: one_or_many(SiteBillingShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Set it for one site, or for a list of them: all or none. What is left out is emptied."""
        return add_sent(request, SiteBillingSent, SiteBillingShown, self._set)

    def _set(self, rows: list[dict[str, Any]]) -> Sequence[SiteBilling]:
        return commands.set_site_billing(actor=self.actor, sites=rows)


class PurchaseOrders(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = PurchaseOrderShown
    filterset_class = PurchaseOrderFilter
    ordering = ("id",)

    def rows(self) -> QuerySet[PurchaseOrder]:
        return parties.purchase_order_rows()

    @extend_schema(
        request=one_or_many(PurchaseOrderSent),
        responses={201: one_or_many(PurchaseOrderShown)},
        filters=False,
    )
    def post(self, request: Request) -> Response:
        """Add one purchase order, or a list of them: all or none."""
        return add_sent(request, PurchaseOrderSent, PurchaseOrderShown, self._add)

    def _add(self, rows: list[dict[str, Any]]) -> Sequence[PurchaseOrder]:
        return commands.add_purchase_orders(actor=self.actor, orders=rows)


class PurchaseOrderEnd(OperatorView):
    permissions = {"POST": Permission.CONTRACTS_MANAGE}
    serializer_class = PurchaseOrderShown
    http_method_names = ["post"]

    @extend_schema(request=PurchaseOrderEndSent, responses={200: PurchaseOrderShown})
    def post(self, request: Request, order_id: UUID) -> Response:
        """Set until when a purchase order holds."""
        row = commands.end_purchase_order(
            actor=self.actor, order_id=order_id, **sent_by(request, PurchaseOrderEndSent)
        )
        return Response(PurchaseOrderShown(row).data)


class TaxRates(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.PRICES_MANAGE}
    serializer_class = TaxRateShown
    ordering = ("jurisdiction", "tax_class", "effective_from")

    def rows(self) -> QuerySet[TaxRate]:
        return parties.tax_rate_rows()

    @extend_schema(request=TaxRateSent, responses={201: TaxRateShown})
    def post(self, request: Request) -> Response:
        """Set a tax rate from a day on. The one before ends there; one set for later stays."""
        row = commands.set_tax_rate(actor=self.actor, **sent_by(request, TaxRateSent))
        return Response(TaxRateShown(row).data, status=201)
