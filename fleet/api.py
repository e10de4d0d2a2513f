"""The API of the fleet's master data, read and written: what a phone needs to know to say where a unit hangs and what went into it."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import RowsView, Sent, add_sent, one_or_many, sent_by
from accounts.errors import pointing_at_one
from accounts.permissions import Permission
from fleet import commands, queries
from fleet.models import Cartridge, Liquid, Restroom, Station, UnitModel


class UnitModelShown(serializers.Serializer[UnitModel]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    reservoir_ml = serializers.IntegerField()


class UnitModelSent(Sent):
    name = serializers.CharField(max_length=80)
    reservoir_ml = serializers.IntegerField(min_value=1, max_value=commands.MOST_ML)


class LiquidShown(serializers.Serializer[Liquid]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    family = serializers.ChoiceField(Liquid.FAMILIES)
    sds_revision_on = serializers.DateField(allow_null=True)
    caution = serializers.CharField(
        help_text="In short. The safety data sheet and label of the actual liquid rule."
    )


class LiquidSent(Sent):
    name = serializers.CharField(max_length=80)
    family = serializers.ChoiceField(Liquid.FAMILIES)
    sds_revision_on = serializers.DateField(
        required=False, allow_null=True, help_text="The revision date of its safety data sheet."
    )
    caution = serializers.CharField(
        max_length=2_000,
        required=False,
        allow_blank=True,
        help_text="In short. The safety data sheet and label of the actual liquid rule.",
    )


class CartridgeShown(serializers.Serializer[Cartridge]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    liquid = serializers.UUIDField(source="liquid_id")
    volume_ml = serializers.IntegerField()
    nominal_dose_ml_per_day = serializers.DecimalField(7, 3)


class CartridgeSent(Sent):
    code = serializers.CharField(max_length=30)
    name = serializers.CharField(max_length=80)
    liquid = serializers.UUIDField(source="liquid_id")
    volume_ml = serializers.IntegerField(min_value=1, max_value=commands.MOST_ML)
    nominal_dose_ml_per_day = serializers.DecimalField(7, 3, min_value=Decimal("0.1"), max_value=Decimal(500))


class RestroomShown(serializers.Serializer[Restroom]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="site_id")
    name = serializers.CharField()


class RestroomSent(Sent):
    site = serializers.UUIDField(source="site_id")
    name = serializers.CharField(max_length=120)


class StationShown(serializers.Serializer[Station]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="restroom.site_id")
    restroom = serializers.UUIDField(source="restroom_id")
    name = serializers.CharField()
    fixture = serializers.ChoiceField(Station.FIXTURES)


class StationSent(Sent):
    restroom = serializers.UUIDField(source="restroom_id")
    name = serializers.CharField(max_length=80)
    fixture = serializers.ChoiceField(Station.FIXTURES)


class CartridgeFilter(filters.FilterSet):
    code = filters.CharFilter("code")


class RestroomFilter(filters.FilterSet):
    site = filters.UUIDFilter("site_id")


class StationFilter(filters.FilterSet):
    site = filters.UUIDFilter("restroom__site_id")
    restroom = filters.UUIDFilter("restroom_id")
    fixture = filters.ChoiceFilter(field_name="fixture", choices=Station.FIXTURES)


class UnitModels(RowsView):
    permissions = {"GET": Permission.UNITS_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = UnitModelShown
    ordering = ("name",)

    def rows(self) -> QuerySet[UnitModel]:
        return queries.unit_models()

    @extend_schema(request=UnitModelSent, responses={201: UnitModelShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Add a model of unit."""
        sent = sent_by(request, UnitModelSent)
        with pointing_at_one():
            made = commands.add_unit_model(actor=self.actor, **sent)
        return Response(UnitModelShown(made).data, status=201)


class Liquids(RowsView):
    permissions = {"GET": Permission.UNITS_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = LiquidShown
    ordering = ("name",)

    def rows(self) -> QuerySet[Liquid]:
        return queries.liquids()

    @extend_schema(request=LiquidSent, responses={201: LiquidShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Add a liquid."""
        sent = sent_by(request, LiquidSent)
        with pointing_at_one():
            made = commands.add_liquid(actor=self.actor, **sent)
        return Response(LiquidShown(made).data, status=201)


class Cartridges(RowsView):
    permissions = {"GET": Permission.UNITS_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = CartridgeShown
    filterset_class = CartridgeFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Cartridge]:
        return queries.cartridges()

    @extend_schema(request=CartridgeSent, responses={201: CartridgeShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Add a cartridge. Volume and dose never change: another filling is another cartridge."""
        sent = sent_by(request, CartridgeSent)
        with pointing_at_one():
            made = commands.add_cartridge(actor=self.actor, **sent)
        return Response(CartridgeShown(made).data, status=201)


class Restrooms(RowsView):
    permissions = {"GET": Permission.SITES_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = RestroomShown
    filterset_class = RestroomFilter
    ordering = ("site_id", "name")

    def rows(self) -> QuerySet[Restroom]:
        return queries.restrooms()

    @extend_schema(
        request=one_or_many(RestroomSent), responses={201: one_or_many(RestroomShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one restroom, or a list of them: all or none."""
        return add_sent(
            request,
            RestroomSent,
            RestroomShown,
            lambda rows: commands.add_restrooms(actor=self.actor, restrooms=rows),
        )


class Stations(RowsView):
    permissions = {"GET": Permission.SITES_READ, "POST": Permission.FLEET_MANAGE}
    serializer_class = StationShown
    filterset_class = StationFilter
    ordering = ("restroom_id", "name")

    def rows(self) -> QuerySet[Station]:
        return queries.station_rows()

    @extend_schema(
        request=one_or_many(StationSent), responses={201: one_or_many(StationShown)}, filters=False
    )
    def post(self, request: Request) -> Response:
        """Add one station, or a list of them: all or none."""
        return add_sent(
            request,
            StationSent,
            StationShown,
            lambda rows: commands.add_stations(actor=self.actor, stations=rows),
        )
