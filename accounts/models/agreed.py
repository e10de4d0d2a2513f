"""What was agreed, and the operator's own rules, each from a day on."""

from __future__ import annotations

from decimal import Decimal

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeBoundary, RangeOperators
from django.db import models
from django.db.models import F, Func, Q

from accounts.models.places import Site
from accounts.tenancy import OperatorOwned, TenantForeignKey


class ServiceAgreement(OperatorOwned):
    """Which service a site gets, and when. Terms never change in place: they end, and the next row begins."""

    site = TenantForeignKey(Site)
    number = models.CharField(max_length=30)
    interval_months = models.PositiveSmallIntegerField(default=1)
    grace_before_days = models.PositiveSmallIntegerField(default=5)
    grace_after_days = models.PositiveSmallIntegerField(default=3)
    anchor_on = models.DateField()
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True, help_text="The first day that is no longer agreed.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "number"], name="accounts_agreement_number"),
            models.CheckConstraint(
                condition=Q(interval_months__range=(1, 12)), name="accounts_agreement_interval"
            ),
            models.CheckConstraint(
                condition=Q(ends_on=None) | Q(ends_on__gt=F("starts_on")), name="accounts_agreement_dates"
            ),
            models.CheckConstraint(
                # Windows must not swallow each other: a month has at least 28 days.
                condition=Q(grace_before_days__lte=13, grace_after_days__lte=14),
                name="accounts_agreement_grace",
            ),
            ExclusionConstraint(
                name="accounts_agreement_no_overlap",
                expressions=[
                    ("operator", RangeOperators.EQUAL),
                    ("site", RangeOperators.EQUAL),
                    (
                        Func(
                            F("starts_on"),
                            F("ends_on"),
                            RangeBoundary(),
                            function="daterange",
                            output_field=DateRangeField(),
                        ),
                        RangeOperators.OVERLAPS,
                    ),
                ],
            ),
        ]

    def __str__(self) -> str:
        return self.number


class ServiceRules(OperatorOwned):
    """The operator's own values of the due and wick rules, from a date on. A new value is a new row.

    ``dry_target`` is the greatest chance of running dry before a visit that is accepted; ``false_alarms_per_1000`` how
    many of 1,000 visits to units in order may warn of their output. The costs are in the operator's currency: of a wick
    changed in time, of one that fails, of each day that it stays so, of washing one. The defaults are judgement.
    """

    effective_from = models.DateField()
    long_past_days = models.PositiveSmallIntegerField(default=14)
    dry_soon_days = models.PositiveSmallIntegerField(default=3)
    wick_watch_days = models.PositiveSmallIntegerField(default=420)
    wick_limit_days = models.PositiveSmallIntegerField(default=540)
    dry_target = models.DecimalField(
        max_digits=4, decimal_places=3, default=Decimal("0.100"), db_default=Decimal("0.100")
    )
    false_alarms_per_1000 = models.DecimalField(
        max_digits=5, decimal_places=2, default=Decimal("2.00"), db_default=Decimal("2.00")
    )
    wick_change_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("8.00"), db_default=Decimal("8.00")
    )
    wick_failure_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("30.00"), db_default=Decimal("30.00")
    )
    wick_down_day_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("0.50"), db_default=Decimal("0.50")
    )
    wick_wash_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("3.00"), db_default=Decimal("3.00")
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "effective_from"], name="accounts_servicerules_from")
        ]
