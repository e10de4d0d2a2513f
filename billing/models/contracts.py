"""What was agreed about money: contracts of customers, the sites they cover and on which days, and their dated terms.

A service agreement says what service a site gets and when; a contract says what it costs. A site that no contract
covers on a day is billed by the price list: units by the month, work by the piece.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word
from billing.rules.terms import CreditAs, EndRule, Mode, NotAdmitted, Proration


class Contract(OperatorOwned):
    """A customer's contract: its term, how it renews itself, and how it is given notice of.

    ``ends_before`` is the first day that it no longer covers, None while it runs on. ``renewal_months`` 0: it ends with
    its term.
    """

    number = models.CharField(max_length=30)
    customer = TenantForeignKey("accounts.Customer")
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True, blank=True)
    starts_on = models.DateField()
    ends_before = models.DateField(null=True, blank=True)
    term_months = models.PositiveSmallIntegerField(default=12)
    renewal_months = models.PositiveSmallIntegerField(default=12)
    notice_days = models.PositiveSmallIntegerField(default=90)
    end_rule = word(12, *EndRule, default="period_end")
    notice_given_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "number"], name="billing_contract_number"),
            columns.ends_after_start("billing_contract_dates", "starts_on", "ends_before"),
        ]

    def __str__(self) -> str:
        return self.number


class ContractSite(OperatorOwned):
    """A site under a contract on the days [starts_on, ends_before). No day of a site has two contracts."""

    contract = TenantForeignKey(Contract)
    site = TenantForeignKey("accounts.Site")
    starts_on = models.DateField()
    ends_before = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            columns.ends_after_start("billing_contractsite_dates", "starts_on", "ends_before"),
            columns.no_overlap(
                "billing_contractsite_no_overlap", "site", start="starts_on", end="ends_before"
            ),
        ]


class ContractTerms(OperatorOwned):
    """The rules of a contract from a day on, until its next row. A new rule is a new row.

    ``inclusions``: a list of {"event_type", "count", "per": unit|site, "every": year|month}: so many of a kind of work
    are in the fee. ``claw_back_months``: a waived installation is paid for pro rata when the site leaves earlier.
    ``make_good_days`` after the due day a missed service can still be made good without a credit.
    """

    contract = TenantForeignKey(Contract)
    effective_from = models.DateField()
    mode = word(14, *Mode, default="unit_month")
    cycle_months = models.PositiveSmallIntegerField(default=1)
    in_advance = models.BooleanField(default=False)
    proration = word(14, *Proration, default="by_days")
    base_units = models.PositiveIntegerField(default=0)
    visit_minimum = columns.price(null=True, blank=True)
    invoice_minimum = columns.price(null=True, blank=True)
    inclusions = models.JSONField(default=list)
    install_waived = models.BooleanField(default=False)
    claw_back_months = models.PositiveSmallIntegerField(default=0)
    not_admitted = word(10, *NotAdmitted, default="billable")
    credits_missed = models.BooleanField(default=False)
    make_good_days = models.PositiveSmallIntegerField(default=5)
    credit_as = word(12, *CreditAs, default="line")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "contract", "effective_from"], name="billing_contractterms_from"
            ),
            models.CheckConstraint(
                condition=Q(cycle_months__in=(1, 3, 6, 12)), name="billing_contractterms_cycle"
            ),
            models.CheckConstraint(
                condition=(Q(visit_minimum=None) | Q(visit_minimum__gte=0))
                & (Q(invoice_minimum=None) | Q(invoice_minimum__gte=0)),
                name="billing_contractterms_minimum",
            ),
        ]


class ContractRenewal(OperatorOwned):
    """A term that a contract went on for by itself, since nobody had given notice in time."""

    contract = TenantForeignKey(Contract)
    starts_on = models.DateField()
    ends_before = models.DateField()
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "contract", "starts_on"], name="billing_contractrenewal_once"
            )
        ]
