"""The price list: what is priced, what it costs from which day on, and the published index figures that move prices."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.db.models.functions import Coalesce

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word
from billing.models.parties import TAX_CLASSES
from billing.rules.inputs import Basis

NOBODY = "00000000-0000-0000-0000-000000000000"


class PriceItem(OperatorOwned):
    """What is priced: a unit's month at a fixture, an installation, or a piece of work. An empty fixture is any."""

    FIXTURES = [("", "any"), ("urinal", "urinal"), ("water_closet", "water closet")]

    code = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    basis = models.CharField(max_length=12, choices=columns.choices(Basis))
    fixture = models.CharField(max_length=20, choices=FIXTURES, blank=True)
    event_type = models.CharField(max_length=40, blank=True)
    tax_class = word(10, *TAX_CLASSES, default="standard")
    revenue_account = word(20)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "code"], name="billing_priceitem_code"),
            models.UniqueConstraint(
                fields=["operator", "basis", "fixture", "event_type"], name="billing_priceitem_what"
            ),
            models.CheckConstraint(
                condition=(Q(basis="event") & ~Q(event_type="")) | (~Q(basis="event") & Q(event_type="")),
                name="billing_priceitem_event_type",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class PriceVersion(OperatorOwned):
    """A price from a day on, until the day before ``effective_to``. It ends, and the next row begins.

    For one contract, one site of a contract, or the list (neither). An indexed price has ``amount`` None until the
    figure of ``index_month`` is known: then prior_amount x figure / base figure, within cap and floor, rounded once to
    ``index_decimals``. Percentages are of prior_amount. ``announced_on``: the day of the letter that announced it.
    """

    item = TenantForeignKey(PriceItem)
    contract = TenantForeignKey("billing.Contract", null=True, blank=True)
    site = TenantForeignKey("accounts.Site", null=True, blank=True)
    amount = columns.price(null=True, blank=True)
    currency = models.CharField(max_length=3)
    effective_from = models.DateField()
    effective_to = models.DateField(null=True, blank=True)
    announced_on = models.DateField(null=True, blank=True)
    prior_amount = columns.price(null=True, blank=True)
    index_code = word(30)
    index_base_month = models.DateField(null=True, blank=True)
    index_month = models.DateField(null=True, blank=True)
    index_cap_percent = models.DecimalField(max_digits=7, decimal_places=3, null=True, blank=True)
    index_floor_percent = models.DecimalField(max_digits=7, decimal_places=3, null=True, blank=True)
    index_decimals = models.PositiveSmallIntegerField(default=2, db_default=2)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(amount=None) | Q(amount__gte=0), name="billing_priceversion_amount"
            ),
            models.CheckConstraint(
                condition=Q(amount__isnull=False)
                | (
                    ~Q(index_code="")
                    & Q(prior_amount__isnull=False)
                    & Q(index_base_month__isnull=False)
                    & Q(index_month__isnull=False)
                ),
                name="billing_priceversion_index",
            ),
            models.CheckConstraint(
                condition=Q(site=None) | Q(contract__isnull=False), name="billing_priceversion_scope"
            ),
            columns.ends_after_start("billing_priceversion_dates", "effective_from", "effective_to"),
            columns.no_overlap(
                "billing_priceversion_no_overlap",
                "item",
                Coalesce("contract", models.Value(NOBODY, models.UUIDField())),
                Coalesce("site", models.Value(NOBODY, models.UUIDField())),
                start="effective_from",
                end="effective_to",
            ),
        ]


class IndexFigure(OperatorOwned):
    """What a published price index stood at for a month, as the operator entered it."""

    code = models.CharField(max_length=30)
    month = models.DateField()
    value = models.DecimalField(max_digits=12, decimal_places=4)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "code", "month"], name="billing_indexfigure_once"),
            models.CheckConstraint(condition=Q(value__gt=0), name="billing_indexfigure_value"),
            models.CheckConstraint(condition=Q(month__day=1), name="billing_indexfigure_month"),
        ]
