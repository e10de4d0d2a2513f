"""The API of the fleet's master data: what a phone needs to know to say where a unit hangs and what went into it."""

from __future__ import annotations

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from rest_framework import serializers

from accounts.doors import RowsView
from accounts.permissions import Permission
from fleet import queries
from fleet.models import Cartridge, Liquid, Restroom, Station, UnitModel


class UnitModelShown(serializers.Serializer[UnitModel]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    reservoir_ml = serializers.IntegerField()


class LiquidShown(serializers.Serializer[Liquid]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    family = serializers.ChoiceField(Liquid.FAMILIES)
    sds_revision_on = serializers.DateField(allow_null=True)
    caution = serializers.CharField(
        help_text="In short. The safety data sheet and label of the actual liquid rule."
    )


class CartridgeShown(serializers.Serializer[Cartridge]):
    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    liquid = serializers.UUIDField(source="liquid_id")
    volume_ml = serializers.IntegerField()
    nominal_dose_ml_per_day = serializers.DecimalField(7, 3)


class RestroomShown(serializers.Serializer[Restroom]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="site_id")
    name = serializers.CharField()


class StationShown(serializers.Serializer[Station]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="restroom.site_id")
    restroom = serializers.UUIDField(source="restroom_id")
    name = serializers.CharField()
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
    permissions = {"GET": Permission.UNITS_READ}
    serializer_class = UnitModelShown
    ordering = ("name",)

    def rows(self) -> QuerySet[UnitModel]:
        return queries.unit_models()


class Liquids(RowsView):
    permissions = {"GET": Permission.UNITS_READ}
    serializer_class = LiquidShown
    ordering = ("name",)

    def rows(self) -> QuerySet[Liquid]:
        return queries.liquids()


class Cartridges(RowsView):
    permissions = {"GET": Permission.UNITS_READ}
    serializer_class = CartridgeShown
    filterset_class = CartridgeFilter
    ordering = ("code",)

    def rows(self) -> QuerySet[Cartridge]:
        return queries.cartridges()


class Restrooms(RowsView):
    permissions = {"GET": Permission.SITES_READ}
    serializer_class = RestroomShown
    filterset_class = RestroomFilter
    ordering = ("site_id", "name")

    def rows(self) -> QuerySet[Restroom]:
        return queries.restrooms()


class Stations(RowsView):
    permissions = {"GET": Permission.SITES_READ}
    serializer_class = StationShown
    filterset_class = StationFilter
    ordering = ("restroom_id", "name")

    def rows(self) -> QuerySet[Station]:
        return queries.station_rows()
