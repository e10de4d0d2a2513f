"""The API of accounts: the operator itself, its crews and devices, customers, sites and service agreements."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import queries
from accounts.commands import operators
from accounts.doors import RowsView, RowView, Sent, sent_by
from accounts.models import SITE_KINDS, Crew, Customer, Device, Operator, ServiceAgreement, Site
from accounts.permissions import Permission


class OperatorShown(serializers.Serializer[Operator]):
    id = serializers.UUIDField()
    slug = serializers.CharField()
    name = serializers.CharField()
    legal_name = serializers.CharField()
    currency = serializers.CharField(help_text="ISO 4217.")
    minor_units = serializers.IntegerField()
    zone = serializers.CharField(help_text="A name of the IANA time zone list.")
    locale = serializers.CharField()


class CrewShown(serializers.Serializer[Crew]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    is_active = serializers.BooleanField()


class CustomerShown(serializers.Serializer[Customer]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    billing_email = serializers.CharField()
    address = serializers.CharField()
    country = serializers.CharField(help_text="ISO 3166-1 alpha-2.")


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


class DeviceShown(serializers.Serializer[Device]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField(["phone", "office"])
    crew = serializers.UUIDField(source="crew_id", allow_null=True)
    label = serializers.CharField()  # type: ignore[assignment]
    registered_at = serializers.DateTimeField()
    revoked_at = serializers.DateTimeField(allow_null=True)


class DeviceSent(Sent):
    crew = serializers.UUIDField()
    label = serializers.CharField(max_length=80)  # type: ignore[assignment]
    expires_at = serializers.DateTimeField(
        required=False, help_text="When its token ends; never unless given."
    )


class DeviceRegistered(serializers.Serializer[Any]):
    device = DeviceShown()
    token = serializers.CharField(help_text="The bearer token. It is shown this once.")


class CrewFilter(filters.FilterSet):
    active = filters.BooleanFilter("is_active")


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


class DeviceFilter(filters.FilterSet):
    crew = filters.UUIDFilter("crew_id")
    revoked = filters.BooleanFilter("revoked_at", lookup_expr="isnull", exclude=True)


class OperatorDoor(RowView):
    """The operator that the credential acts for."""

    permissions = {"GET": Permission.SITES_READ}
    serializer_class = OperatorShown

    def row(self, **names: Any) -> Operator:
        return queries.get_operator()


class Crews(RowsView):
    permissions = {"GET": Permission.CREWS_READ}
    serializer_class = CrewShown
    filterset_class = CrewFilter
    ordering = ("name",)

    def rows(self) -> QuerySet[Crew]:
        return queries.crews()


class CrewDoor(RowView):
    permissions = {"GET": Permission.CREWS_READ}
    serializer_class = CrewShown

    def row(self, crew_id: UUID) -> Crew:  # type: ignore[override]
        return queries.get_crew(crew_id)


class Customers(RowsView):
    permissions = {"GET": Permission.CUSTOMERS_READ}
    serializer_class = CustomerShown
    filterset_class = CodeFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Customer]:
        return queries.customers()


class CustomerDoor(RowView):
    permissions = {"GET": Permission.CUSTOMERS_READ}
    serializer_class = CustomerShown

    def row(self, customer_id: UUID) -> Customer:  # type: ignore[override]
        return queries.get_customer(customer_id)


class Sites(RowsView):
    permissions = {"GET": Permission.SITES_READ}
    serializer_class = SiteShown
    filterset_class = SiteFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Site]:
        return queries.sites()


class SiteDoor(RowView):
    permissions = {"GET": Permission.SITES_READ}
    serializer_class = SiteShown

    def row(self, site_id: UUID) -> Site:  # type: ignore[override]
        return queries.get_site(site_id)


class Agreements(RowsView):
    permissions = {"GET": Permission.AGREEMENTS_READ}
    serializer_class = AgreementShown
    filterset_class = AgreementFilter
    ordering = ("number",)

    def rows(self) -> QuerySet[ServiceAgreement]:
        return queries.agreements()


class AgreementDoor(RowView):
    permissions = {"GET": Permission.AGREEMENTS_READ}
    serializer_class = AgreementShown

    def row(self, agreement_id: UUID) -> ServiceAgreement:  # type: ignore[override]
        return queries.get_agreement(agreement_id)


class Devices(RowsView):
    permissions = {"GET": Permission.DEVICES_MANAGE, "POST": Permission.DEVICES_MANAGE}
    serializer_class = DeviceShown
    filterset_class = DeviceFilter
    ordering = ("label", "id")

    def rows(self) -> QuerySet[Device]:
        return queries.devices()

    @extend_schema(request=DeviceSent, responses={201: DeviceRegistered}, filters=False)
    def post(self, request: Request) -> Response:
        """Register a crew's phone. The answer holds its token, which is not shown again."""
        sent = sent_by(request, DeviceSent)
        device, token = operators.register_device(
            actor=self.actor,
            crew_id=sent["crew"],
            label=sent["label"],
            expires_at=sent.get("expires_at"),
        )
        return Response(DeviceRegistered({"device": device, "token": token}).data, status=201)


class DeviceRevocation(RowView):
    """A lost phone."""

    permissions = {"POST": Permission.DEVICES_MANAGE}
    serializer_class = DeviceShown
    http_method_names = ["post"]

    def row(self, device_id: UUID) -> Device:  # type: ignore[override]
        return queries.get_device(device_id)

    @extend_schema(request=None, responses={200: DeviceShown})
    def post(self, request: Request, device_id: UUID) -> Response:
        """End a phone's token with its next request. What it sent before stays; a second time changes nothing."""
        operators.revoke_device(actor=self.actor, device_id=device_id)
        return self.get(request, device_id=device_id)


class DeviceDoor(RowView):
    permissions = {"GET": Permission.DEVICES_MANAGE}
    serializer_class = DeviceShown

    def row(self, device_id: UUID) -> Device:  # type: ignore[override]
        return queries.get_device(device_id)
