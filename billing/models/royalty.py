"""What an operator owes its network: the terms, and a frozen statement for each month."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns


class RoyaltyTerms(OperatorOwned):
    """From a month on. ``tiers``: [{"upto": "10000.00"|null, "percent": "6"}], marginal, of a month's base; net of tax.

    ``fund_percent`` is the marketing fund's part of the base, apart. ``minimum``: least royalty of a month.
    """

    effective_from = models.DateField()
    network_name = models.CharField(max_length=200)
    basis = models.CharField(max_length=10, choices=columns.choices(("billed", "collected")))
    tiers = models.JSONField()
    minimum = columns.amount(default=0)
    fund_percent = models.DecimalField(max_digits=7, decimal_places=4, default=0)
    currency = models.CharField(max_length=3)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "effective_from"], name="billing_royaltyterms_from"),
            models.CheckConstraint(condition=Q(effective_from__day=1), name="billing_royaltyterms_month"),
        ]


class RoyaltyStatement(OperatorOwned):
    """A month's statement as it was issued; it never changes. What is negative is carried into the next one."""

    terms = TenantForeignKey(RoyaltyTerms)
    month = models.DateField()
    issued_on = models.DateField()
    currency = models.CharField(max_length=3)
    base = columns.amount()
    carried_in = columns.amount()
    carried_out = columns.amount()
    royalty = columns.amount()
    fund = columns.amount()
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    previous_sha256 = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "month"], name="billing_royaltystatement_month"),
            models.CheckConstraint(condition=Q(month__day=1), name="billing_royaltystatement_first_day"),
        ]
