"""Who sells and who pays: legal entities, what billing knows of customers and sites, purchase orders, tax rates."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word

REGIMES = ("none", "vat", "gst", "sales_tax")
TAX_BASES = ("invoice", "item")
TREATMENTS = ("standard", "reverse_charge", "intra_community", "export", "exempt", "outside")
TAX_CATEGORIES = ("S", "Z", "E", "AE", "K", "G", "O", "L", "M")  # EN 16931, BT-118
TAX_CLASSES = ("standard", "reduced", "zero", "exempt")
DELIVERIES = ("email", "none")


class LegalEntity(OperatorOwned):
    """Who issues documents. An operator without a row issues in its own name, without tax.

    ``tax_basis`` item: sales tax is rounded line by line. ``cash_rounding``: what cash totals are rounded to, 0 for
    not at all. ``accounts`` gives the ledger's account of each purpose, ``reminder_days`` after how many days past due
    each reminder goes out.
    """

    code = models.CharField(max_length=10)
    legal_name = models.CharField(max_length=200)
    street = word(200)
    city = word(100)
    postcode = word(20)
    subdivision = word(60)
    country = models.CharField(max_length=2)
    vat_id = word(30)
    registration = word(60)
    regime = word(10, *REGIMES, default="none")
    tax_jurisdiction = word(20)
    tax_basis = word(10, *TAX_BASES, default="invoice")
    currency = models.CharField(max_length=3)
    cash_rounding = columns.amount(default=Decimal(0), db_default=Decimal(0))
    payment_days = models.PositiveSmallIntegerField(default=30, db_default=30)
    iban = word(34)
    bic = word(11)
    bank_name = word(100)
    email = models.EmailField(max_length=254, blank=True, default="", db_default="")
    phone = word(40)
    accounts = models.JSONField(default=dict, db_default={})
    reminder_days = models.JSONField(default=list, db_default=[])
    is_default = models.BooleanField(default=False, db_default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "code"], name="billing_legalentity_code"),
            models.UniqueConstraint(
                fields=["operator"], condition=Q(is_default=True), name="billing_legalentity_one_default"
            ),
            models.CheckConstraint(
                condition=Q(cash_rounding__gte=0), name="billing_legalentity_cash_rounding"
            ),
        ]

    def __str__(self) -> str:
        return self.legal_name


class BillingProfile(OperatorOwned):
    """What billing knows of a customer beside its name. ``bill_to`` gets and pays the documents in its place."""

    customer = TenantForeignKey("accounts.Customer", models.CASCADE)
    bill_to = TenantForeignKey("accounts.Customer", null=True, blank=True)
    street = word(200)
    city = word(100)
    postcode = word(20)
    subdivision = word(60)
    vat_id = word(30)
    buyer_reference = word(60)
    tax_treatment = word(16, *TREATMENTS, default="standard")
    tax_jurisdiction = word(20)
    exemption_reason = word(200)
    payment_days = models.PositiveSmallIntegerField(null=True, blank=True)
    po_required = models.BooleanField(default=False, db_default=False)
    line_pos = models.BooleanField(default=False, db_default=False)
    delivery = word(10, *DELIVERIES, default="email")
    invoice_minimum = columns.price(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "customer"], name="billing_billingprofile_customer"),
            models.CheckConstraint(
                condition=Q(invoice_minimum=None) | Q(invoice_minimum__gte=0),
                name="billing_billingprofile_minimum",
            ),
        ]


class SiteBilling(OperatorOwned):
    """What billing knows of a site: where it is taxed, and the customer's cost centre for it."""

    site = TenantForeignKey("accounts.Site")
    tax_jurisdiction = word(20)
    cost_centre = word(60)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "site"], name="billing_sitebilling_site"),
        ]


class PurchaseOrder(OperatorOwned):
    """A customer's order number, for one site or for all, from a day on until before another; ``limit`` net."""

    customer = TenantForeignKey("accounts.Customer")
    site = TenantForeignKey("accounts.Site", null=True, blank=True)
    number = models.CharField(max_length=60)
    starts_on = models.DateField()
    ends_before = models.DateField(null=True, blank=True)
    limit = columns.amount(null=True, blank=True)
    currency = models.CharField(max_length=3)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "customer", "number"], name="billing_purchaseorder_number"
            ),
            columns.ends_after_start("billing_purchaseorder_dates", "starts_on", "ends_before"),
            models.CheckConstraint(
                condition=Q(limit=None) | Q(limit__gte=0), name="billing_purchaseorder_limit"
            ),
        ]


class TaxRate(OperatorOwned):
    """What a class of supplies is taxed with in one jurisdiction from a day on; ``rate`` in percent."""

    jurisdiction = models.CharField(max_length=20)
    tax_class = models.CharField(max_length=10, choices=columns.choices(TAX_CLASSES))
    category = models.CharField(max_length=2, choices=columns.choices(TAX_CATEGORIES))
    rate = models.DecimalField(max_digits=7, decimal_places=4)
    name = word(60)
    exemption_reason = word(200)
    effective_from = models.DateField()
    effective_to = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(rate__gte=0, rate__lte=100), name="billing_taxrate_rate"),
            columns.ends_after_start("billing_taxrate_dates", "effective_from", "effective_to"),
            columns.no_overlap(
                "billing_taxrate_no_overlap",
                "jurisdiction",
                "tax_class",
                start="effective_from",
                end="effective_to",
            ),
        ]
