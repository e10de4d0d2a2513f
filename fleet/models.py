"""What hangs where: unit models, liquids and cartridges, restrooms and stations, units and their labels."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey


class UnitModel(OperatorOwned):
    name = models.CharField(max_length=80)
    reservoir_ml = models.PositiveIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "name"], name="fleet_unitmodel_name")]

    def __str__(self) -> str:
        return self.name


class Liquid(OperatorOwned):
    """What drips. The safety data sheet and label of the actual liquid rule; ``caution`` is their short form."""

    FAMILIES = [("acid", "acid"), ("enzyme", "enzyme"), ("neutral", "neutral")]

    name = models.CharField(max_length=80)
    family = models.CharField(max_length=10, choices=FAMILIES)
    sds_revision_on = models.DateField(null=True, blank=True)
    caution = models.TextField(blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "name"], name="fleet_liquid_name")]

    def __str__(self) -> str:
        return self.name


class SafetySheet(OperatorOwned):
    """The safety data sheet of a liquid as a PDF, one a revision and language; a newer one stands beside the older."""

    liquid = TenantForeignKey(Liquid)
    revision_on = models.DateField()
    language = models.CharField(max_length=2, default="en")
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    added_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "liquid", "revision_on", "language"], name="fleet_safetysheet_once"
            )
        ]


class Cartridge(OperatorOwned):
    """A sealed cartridge as bought. Volume and dose never change in place: another filling is another row."""

    code = models.CharField(max_length=30)
    name = models.CharField(max_length=80)
    liquid = TenantForeignKey(Liquid)
    volume_ml = models.PositiveIntegerField()
    nominal_dose_ml_per_day = models.DecimalField(max_digits=7, decimal_places=3)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "code"], name="fleet_cartridge_code"),
            models.CheckConstraint(
                condition=Q(volume_ml__gt=0, nominal_dose_ml_per_day__gt=0), name="fleet_cartridge_positive"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Restroom(OperatorOwned):
    site = TenantForeignKey("accounts.Site")
    name = models.CharField(max_length=120)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "site", "name"], name="fleet_restroom_name")
        ]

    def __str__(self) -> str:
        return self.name


class Station(OperatorOwned):
    """A place on the wall above one fixture. It stays; units come and go."""

    FIXTURES = [("urinal", "urinal"), ("water_closet", "water closet")]

    restroom = TenantForeignKey(Restroom)
    name = models.CharField(max_length=80)
    fixture = models.CharField(max_length=20, choices=FIXTURES)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "restroom", "name"], name="fleet_station_name")
        ]

    def __str__(self) -> str:
        return self.name


class Unit(OperatorOwned):
    """A device's identity, made when its label is printed. Where it hangs is what its events say."""

    code = models.CharField(max_length=9)
    unit_model = TenantForeignKey(UnitModel)
    printed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "code"], name="fleet_unit_code"),
            models.CheckConstraint(
                condition=Q(code__regex=r"^[0-9A-HJKMNP-TV-Z]{9}$"), name="fleet_unit_code_alphabet"
            ),
        ]

    def __str__(self) -> str:
        return self.code
