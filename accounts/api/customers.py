"""Customers, their sites, and the service agreements: read, and written one or many at a time."""

from __future__ import annotations

from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import queries
from accounts.commands import customers
from accounts.commands.customers import HARDNESS
from accounts.doors import (
    OperatorView,
    RowsView,
    RowView,
    Sent,
    add_sent,
    one_or_many,
    required_match,
    sent_by,
    version_tag,
)
from accounts.doors.versions import VersionedRowView
from accounts.errors import pointing_at_one
from accounts.models import DUST, SITE_KINDS, Customer, ServiceAgreement, Site
from accounts.permissions import Permission


class CustomerShown(serializers.Serializer[Customer]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    billing_email = serializers.CharField()
    address = serializers.CharField()
    country = serializers.CharField(help_text="ISO 3166-1 alpha-2.")


class CustomerSent(Sent):
    code = serializers.CharField(max_length=20)
    name = serializers.CharField(max_length=200)
    country = serializers.RegexField("^[A-Z]{2}$", help_text="ISO 3166-1 alpha-2.")
    billing_email = serializers.EmailField(max_length=254, required=False, allow_blank=True)
    address = serializers.CharField(max_length=1_000, required=False, allow_blank=True)


class SiteShown(serializers.Serializer[Site]):
    id = serializers.UUIDField()
    customer = serializers.UUIDField(source="customer_id")
    code = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.ChoiceField(SITE_KINDS)
    address = serializers.CharField()
    area = serializers.CharField()
    latitude = serializers.DecimalField(9, 6, allow_null=True)
    longitude = serializers.DecimalField(9, 6, allow_null=True)
    zone = serializers.CharField(help_text="A name of the IANA time zone list.")
    crew = serializers.UUIDField(source="crew_id", allow_null=True, help_text="The usual crew.")
    hardness_mg_per_l = serializers.IntegerField(
        allow_null=True, help_text="Hardness of its water, as CaCO3; null while it is not known."
    )
    dust = serializers.ChoiceField(DUST, help_text="How much dust and grease the air carries.")


class SiteSent(Sent):
    customer = serializers.UUIDField(source="customer_id")
    code = serializers.CharField(max_length=20, help_text="It stands in the address of the site's page.")
    name = serializers.CharField(max_length=200)
    kind = serializers.ChoiceField(SITE_KINDS)
    zone = serializers.CharField(
        max_length=64,
        help_text="A name of the IANA time zone list. Due days hang on it, so it never changes.",
    )
    address = serializers.CharField(max_length=1_000, required=False, allow_blank=True)
    area = serializers.CharField(max_length=80, required=False, allow_blank=True)
    latitude = serializers.DecimalField(9, 6, min_value=-90, max_value=90, required=False, allow_null=True)
    longitude = serializers.DecimalField(9, 6, min_value=-180, max_value=180, required=False, allow_null=True)
    crew = serializers.UUIDField(
        source="crew_id", required=False, allow_null=True, help_text="The usual crew."
    )
    hardness_mg_per_l = serializers.IntegerField(
        min_value=HARDNESS[0],
        max_value=HARDNESS[1],
        required=False,
        allow_null=True,
        help_text="Hardness of its water, as CaCO3. Hard water shortens the life of a wick.",
    )
    dust = serializers.ChoiceField(
        DUST,
        required=False,
        help_text="How much dust and grease the air carries: how often a reservoir wants cleaning.",
    )


class AgreementShown(serializers.Serializer[ServiceAgreement]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="site_id")
    number = serializers.CharField()
    interval_months = serializers.IntegerField()
    grace_before_days = serializers.IntegerField()
    grace_after_days = serializers.IntegerField()
    anchor_on = serializers.DateField()
    starts_on = serializers.DateField()
    ends_on = serializers.DateField(allow_null=True, help_text="The first day that is no longer agreed.")


class AgreementSent(Sent):
    site = serializers.UUIDField(source="site_id")
    number = serializers.CharField(max_length=30)
    anchor_on = serializers.DateField(help_text="Its day of the month is that of every due day.")
    starts_on = serializers.DateField()
    ends_on = serializers.DateField(
        required=False, allow_null=True, help_text="The first day that is no longer agreed."
    )
    interval_months = serializers.IntegerField(min_value=1, max_value=12, default=1)
    grace_before_days = serializers.IntegerField(min_value=0, max_value=13, default=5)
    grace_after_days = serializers.IntegerField(min_value=0, max_value=14, default=3)


class BillingEmailSent(Sent):
    email = serializers.EmailField(max_length=254, allow_blank=True, help_text="Empty: nowhere.")


class UsualCrewSent(Sent):
    crew = serializers.UUIDField()


class AgreementEndSent(Sent):
    ends_on = serializers.DateField(help_text="The first day that is no longer agreed.")


class CodeFilter(filters.FilterSet):
    code = filters.CharFilter("code")


class SiteFilter(CodeFilter):
    customer = filters.UUIDFilter("customer_id")
    crew = filters.UUIDFilter("crew_id")
    kind = filters.ChoiceFilter(field_name="kind", choices=SITE_KINDS)
    area = filters.CharFilter("area")


class AgreementFilter(filters.FilterSet):
    site = filters.UUIDFilter("site_id")
    number = filters.CharFilter("number")


class Customers(RowsView):
    permissions = {"GET": Permission.CUSTOMERS_READ, "POST": Permission.CUSTOMERS_MANAGE}
    serializer_class = CustomerShown
    filterset_class = CodeFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Customer]:
        return queries.customers()

    @extend_schema(
        request=one_or_many(CustomerSent), responses={201: one_or_many(CustomerShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one customer, or a list of them: all or none."""
        return add_sent(
            request,
            CustomerSent,
            CustomerShown,
            lambda rows: customers.add_customers(actor=self.actor, customers=rows),
        )


class CustomerDoor(VersionedRowView):
    permissions = {"GET": Permission.CUSTOMERS_READ, "DELETE": Permission.CUSTOMERS_MANAGE}
    serializer_class = CustomerShown
    http_method_names = ["get", "head", "delete"]
    kind = "customer"

    def row(self, customer_id: UUID) -> Customer:  # type: ignore[override]
        return queries.get_customer(customer_id)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, customer_id: UUID) -> Response:
        """Remove a customer that nothing is recorded of, no site and no document; its billing profile goes with it."""
        customers.remove_customer(
            actor=self.actor,
            customer_id=customer_id,
            let_pass=lambda version: required_match(request, version_tag(self.kind, customer_id, version)),
        )
        return Response(status=204)


class Sites(RowsView):
    permissions = {"GET": Permission.SITES_READ, "POST": Permission.SITES_MANAGE}
    serializer_class = SiteShown
    filterset_class = SiteFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Site]:
        return queries.sites()

    @extend_schema(request=one_or_many(SiteSent), responses={201: one_or_many(SiteShown)}, filters=False)
    def post(self, request: Request) -> Response:
        """Add one site, or a list of them: all or none."""
        return add_sent(
            request, SiteSent, SiteShown, lambda rows: customers.add_sites(actor=self.actor, sites=rows)
        )


class SiteDoor(RowView):
    permissions = {"GET": Permission.SITES_READ}
    serializer_class = SiteShown

    def row(self, site_id: UUID) -> Site:  # type: ignore[override]
        return queries.get_site(site_id)


class CustomerBillingEmail(OperatorView):
    permissions = {"POST": Permission.DOCUMENTS_SEND}
    serializer_class = CustomerShown
    http_method_names = ["post"]

    @extend_schema(request=BillingEmailSent, responses={200: CustomerShown})
    def post(self, request: Request, customer_id: UUID) -> Response:
        """Say where a customer's documents are mailed from now on."""
        email = sent_by(request, BillingEmailSent)["email"]
        customer = customers.set_billing_email(actor=self.actor, customer_id=customer_id, email=email)
        return Response(CustomerShown(customer).data)


class SiteUsualCrew(OperatorView):
    permissions = {"POST": Permission.SITES_MANAGE}
    serializer_class = SiteShown
    http_method_names = ["post"]

    @extend_schema(request=UsualCrewSent, responses={200: SiteShown})
    def post(self, request: Request, site_id: UUID) -> Response:
        """Say which crew goes to a site unless said otherwise."""
        sent = sent_by(request, UsualCrewSent)
        with pointing_at_one():
            site = customers.set_usual_crew(actor=self.actor, site_id=site_id, crew_id=sent["crew"])
        return Response(SiteShown(site).data)


class Agreements(RowsView):
    permissions = {"GET": Permission.AGREEMENTS_READ, "POST": Permission.AGREEMENTS_MANAGE}
    serializer_class = AgreementShown
    filterset_class = AgreementFilter
    ordering = ("number",)

    def rows(self) -> QuerySet[ServiceAgreement]:
        return queries.agreements()

    @extend_schema(
        request=one_or_many(AgreementSent), responses={201: one_or_many(AgreementShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one service agreement, or a list of them: all or none. Two of a site never overlap."""
        return add_sent(
            request,
            AgreementSent,
            AgreementShown,
            lambda rows: customers.add_agreements(actor=self.actor, agreements=rows),
        )


class AgreementDoor(RowView):
    permissions = {"GET": Permission.AGREEMENTS_READ}
    serializer_class = AgreementShown

    def row(self, agreement_id: UUID) -> ServiceAgreement:  # type: ignore[override]
        return queries.get_agreement(agreement_id)


class AgreementEnd(OperatorView):
    permissions = {"POST": Permission.AGREEMENTS_MANAGE}
    serializer_class = AgreementShown
    http_method_names = ["post"]

    @extend_schema(request=AgreementEndSent, responses={200: AgreementShown})
    def post(self, request: Request, agreement_id: UUID) -> Response:
        """End a service agreement. An end once set does not move; new terms are a new agreement."""
        ends_on = sent_by(request, AgreementEndSent)["ends_on"]
        ended = customers.end_agreement(actor=self.actor, agreement_id=agreement_id, ends_on=ends_on)
        return Response(AgreementShown(ended).data)
