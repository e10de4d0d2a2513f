"""The operator itself, its crews and phones, and the values of its service rules."""

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
from accounts.errors import pointing_at_one
from accounts.models import Crew, Device, Operator, ServiceRules
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


class CrewSent(Sent):
    name = serializers.CharField(max_length=80)


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


DRY_TARGET = "The greatest chance of running dry before a visit that is accepted."
FALSE_ALARMS = "Of 1,000 visits to units in order, so many may warn of the output."
CHANGE_COST = "Of a wick that is changed in time, in the operator's currency."
FAILURE_COST = "Of a wick that fails: the change and all that comes with it, in the operator's currency."
DOWN_DAY_COST = "Of each day on which a wick has failed, in the operator's currency."
WASH_COST = "Of washing a wick, in the operator's currency."


class ServiceRulesShown(serializers.Serializer[ServiceRules]):
    id = serializers.UUIDField()
    effective_from = serializers.DateField()
    long_past_days = serializers.IntegerField(help_text="More than so many days past grace are long past.")
    dry_soon_days = serializers.IntegerField(help_text="So many days before its dry date a unit is dry soon.")
    wick_watch_days = serializers.IntegerField(help_text="From this age on a wick is watched.")
    wick_limit_days = serializers.IntegerField(help_text="At this age a wick is to be changed.")
    dry_target = serializers.DecimalField(4, 3, help_text=DRY_TARGET)
    false_alarms_per_1000 = serializers.DecimalField(5, 2, help_text=FALSE_ALARMS)
    wick_change_cost = serializers.DecimalField(9, 2, help_text=CHANGE_COST)
    wick_failure_cost = serializers.DecimalField(9, 2, help_text=FAILURE_COST)
    wick_down_day_cost = serializers.DecimalField(9, 2, help_text=DOWN_DAY_COST)
    wick_wash_cost = serializers.DecimalField(9, 2, help_text=WASH_COST)


def _sent_decimal(name: str, digits: int, places: int, help_text: str) -> serializers.DecimalField:
    least, most = operators.RULES[name]
    default = getattr(queries.default_service_rules(), name)
    return serializers.DecimalField(
        digits, places, min_value=least, max_value=most, default=default, help_text=help_text
    )


class ServiceRulesSent(Sent):
    effective_from = serializers.DateField(help_text="Today or later, in the operator's zone.")
    long_past_days = serializers.IntegerField(min_value=1, max_value=365, default=14)
    dry_soon_days = serializers.IntegerField(min_value=1, max_value=60, default=3)
    wick_watch_days = serializers.IntegerField(min_value=1, max_value=3_650, default=420)
    wick_limit_days = serializers.IntegerField(min_value=1, max_value=3_650, default=540)
    dry_target = _sent_decimal("dry_target", 4, 3, DRY_TARGET)
    false_alarms_per_1000 = _sent_decimal("false_alarms_per_1000", 5, 2, FALSE_ALARMS)
    wick_change_cost = _sent_decimal("wick_change_cost", 9, 2, CHANGE_COST)
    wick_failure_cost = _sent_decimal("wick_failure_cost", 9, 2, FAILURE_COST)
    wick_down_day_cost = _sent_decimal("wick_down_day_cost", 9, 2, DOWN_DAY_COST)
    wick_wash_cost = _sent_decimal("wick_wash_cost", 9, 2, WASH_COST)


class CrewFilter(filters.FilterSet):
    active = filters.BooleanFilter("is_active")


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
    permissions = {"GET": Permission.CREWS_READ, "POST": Permission.CREWS_MANAGE}
    serializer_class = CrewShown
    filterset_class = CrewFilter
    ordering = ("name",)

    def rows(self) -> QuerySet[Crew]:
        return queries.crews()

    @extend_schema(request=CrewSent, responses={201: CrewShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Add a crew."""
        sent = sent_by(request, CrewSent)
        with pointing_at_one():
            crew = operators.add_crew(actor=self.actor, name=sent["name"])
        return Response(CrewShown(crew).data, status=201)


class CrewDoor(RowView):
    permissions = {"GET": Permission.CREWS_READ}
    serializer_class = CrewShown

    def row(self, crew_id: UUID) -> Crew:  # type: ignore[override]
        return queries.get_crew(crew_id)


class Devices(RowsView):
    permissions = {"GET": Permission.DEVICES_MANAGE, "POST": Permission.DEVICES_MANAGE}
    recent = ("POST",)
    serializer_class = DeviceShown
    filterset_class = DeviceFilter
    ordering = ("label", "id")

    def rows(self) -> QuerySet[Device]:
        return queries.devices()

    @extend_schema(request=DeviceSent, responses={201: DeviceRegistered}, filters=False)
    def post(self, request: Request) -> Response:
        """Register a crew's phone. The answer holds its token, which is not shown again."""
        sent = sent_by(request, DeviceSent)
        with pointing_at_one():
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


class ServiceRulesDoor(RowsView):
    """The operator's own values of the due and wick rules, each row from its day on; the defaults are not listed."""

    permissions = {"GET": Permission.SITES_READ, "POST": Permission.OPERATOR_MANAGE}
    serializer_class = ServiceRulesShown
    ordering = ("effective_from",)

    def rows(self) -> QuerySet[ServiceRules]:
        return queries.service_rule_rows()

    @extend_schema(request=ServiceRulesSent, responses={201: ServiceRulesShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Set all values from a day on. What is left out has its default."""
        sent = sent_by(request, ServiceRulesSent)
        with pointing_at_one():
            rules = operators.set_service_rules(actor=self.actor, **sent)
        return Response(ServiceRulesShown(rules).data, status=201)
