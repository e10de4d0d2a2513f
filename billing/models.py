"""Prices, what became of each event, the charges of each close, and the invoices issued."""

from __future__ import annotations

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeBoundary, RangeOperators
from django.db import models
from django.db.models import F, Func, Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.rules.dispositions import Outcome, Reason
from billing.rules.inputs import Basis
from billing.rules.invoicing import Kind
from billing.rules.rating import Rule


def _choices(words: type[Basis | Kind | Outcome | Reason | Rule]) -> list[tuple[str, str]]:
    return [(str(word), str(word).replace("_", " ")) for word in words]


class PriceItem(OperatorOwned):
    """What is priced: a unit's month at a fixture, an installation, or a piece of work. An empty fixture is any."""

    FIXTURES = [("", "any"), ("urinal", "urinal"), ("water_closet", "water closet")]

    code = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    basis = models.CharField(max_length=12, choices=_choices(Basis))
    fixture = models.CharField(max_length=20, choices=FIXTURES, blank=True)
    event_type = models.CharField(max_length=40, blank=True)

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
    """A price from a day on, until the day before ``effective_to``. It ends, and the next row begins."""

    item = TenantForeignKey(PriceItem)
    amount = models.DecimalField(max_digits=20, decimal_places=6)
    currency = models.CharField(max_length=3)
    effective_from = models.DateField()
    effective_to = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gte=0), name="billing_priceversion_amount"),
            models.CheckConstraint(
                condition=Q(effective_to=None) | Q(effective_to__gt=F("effective_from")),
                name="billing_priceversion_dates",
            ),
            ExclusionConstraint(
                name="billing_priceversion_no_overlap",
                expressions=[
                    ("operator", RangeOperators.EQUAL),
                    ("item", RangeOperators.EQUAL),
                    (
                        Func(
                            F("effective_from"),
                            F("effective_to"),
                            RangeBoundary(),
                            function="daterange",
                            output_field=DateRangeField(),
                        ),
                        RangeOperators.OVERLAPS,
                    ),
                ],
            ),
        ]


class PeriodClose(OperatorOwned):
    """A month closed at a position of the log, with everything else that was read for it.

    ``inputs`` makes the close repeatable to the byte. The two counts are days in service that nothing was billed for.
    """

    month = models.DateField()
    cut_position = models.BigIntegerField()
    closed_at = models.DateTimeField()
    closed_by = models.UUIDField(null=True)
    issued_on = models.DateField()
    engine = models.CharField(max_length=40)
    inputs = models.JSONField()
    inputs_sha256 = models.CharField(max_length=64)
    days_without_price = models.PositiveIntegerField()
    days_without_agreement = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "month"], name="billing_periodclose_month"),
            models.CheckConstraint(condition=Q(month__day=1), name="billing_periodclose_first_day"),
        ]


class EventDisposition(OperatorOwned):
    """What became of an event at a close; the row of the latest close holds. Unchanged ones get no new row."""

    close = TenantForeignKey(PeriodClose)
    event_id = models.UUIDField()
    subject_id = models.UUIDField()
    site_id = models.UUIDField(null=True)
    outcome = models.CharField(max_length=12, choices=_choices(Outcome))
    reason = models.CharField(max_length=20, choices=_choices(Reason), blank=True)
    charge_key = models.CharField(max_length=64, blank=True)
    superseded_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "event_id", "close"], name="billing_eventdisposition_once"
            ),
            models.CheckConstraint(
                condition=(Q(outcome="billed") & ~Q(charge_key=""))
                | (~Q(outcome="billed") & Q(charge_key="")),
                name="billing_eventdisposition_charge",
            ),
        ]
        indexes = [
            # All that was disposed of a unit, when it is rated again.
            models.Index(fields=["operator", "subject_id"], name="billing_disposition_subject"),
            # Who had work at a site whose terms changed.
            models.Index(fields=["operator", "site_id"], name="billing_disposition_site"),
            # What waits.
            models.Index(
                fields=["operator", "event_id"], condition=Q(outcome="held"), name="billing_disposition_held"
            ),
        ]


class Charge(OperatorOwned):
    """What one close adds to one charge: its whole amount at first, later only the difference.

    The rows of a key sum to the charge as it stands. A row that no invoice line names is open.
    """

    close = TenantForeignKey(PeriodClose)
    key = models.CharField(max_length=64)
    kind = models.CharField(max_length=8, choices=_choices(Kind))
    rule = models.CharField(max_length=12, choices=_choices(Rule))
    subject_id = models.UUIDField()
    event_id = models.UUIDField(null=True)
    item_code = models.CharField(max_length=40)
    item_name = models.CharField(max_length=120)
    price_version = TenantForeignKey(PriceVersion)
    unit_price = models.DecimalField(max_digits=20, decimal_places=6)
    currency = models.CharField(max_length=3)
    customer = TenantForeignKey("accounts.Customer")
    agreement = TenantForeignKey("accounts.ServiceAgreement")
    agreement_number = models.CharField(max_length=30)
    site = TenantForeignKey("accounts.Site")
    site_code = models.CharField(max_length=20)
    site_name = models.CharField(max_length=200)
    unit_code = models.CharField(max_length=9, blank=True)
    place = models.CharField(max_length=210, blank=True)
    service_on = models.DateField()
    occurred_at = models.DateTimeField(null=True)
    starts_on = models.DateField()
    ends_before = models.DateField()
    part = models.DecimalField(max_digits=6, decimal_places=1)
    whole = models.PositiveSmallIntegerField()
    amount = models.DecimalField(max_digits=20, decimal_places=4)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "close", "key"], name="billing_charge_once"),
            models.CheckConstraint(condition=Q(ends_before__gt=F("starts_on")), name="billing_charge_period"),
        ]
        indexes = [
            # All that was charged for a unit, when it is rated again.
            models.Index(fields=["operator", "subject_id"], name="billing_charge_subject"),
            # On which invoice an event stands.
            models.Index(
                fields=["operator", "event_id"], condition=~Q(event_id=None), name="billing_charge_event"
            ),
        ]


class NumberSeries(OperatorOwned):
    """Invoice numbers without gaps: the next one is drawn in the transaction that uses it.

    Its row is also the lock under which prices change and months close.
    """

    code = models.CharField(max_length=10)
    next = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "code"], name="billing_numberseries_code")]


class Invoice(OperatorOwned):
    """An issued document. It never changes: ``document`` is what the customer got, each chained to the one before."""

    series = TenantForeignKey(NumberSeries)
    ordinal = models.PositiveIntegerField()
    number = models.CharField(max_length=24)
    customer = TenantForeignKey("accounts.Customer")
    close = TenantForeignKey(PeriodClose)
    issued_on = models.DateField()
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=20, decimal_places=4)
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    previous_sha256 = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "number"], name="billing_invoice_number"),
            models.UniqueConstraint(fields=["operator", "series", "ordinal"], name="billing_invoice_ordinal"),
            models.UniqueConstraint(
                fields=["operator", "close", "customer", "currency"], name="billing_invoice_once"
            ),
            models.CheckConstraint(condition=Q(total__gte=0), name="billing_invoice_not_negative"),
        ]
        indexes = [
            models.Index(fields=["operator", "customer"], name="billing_invoice_customer")
        ]  # a customer's invoices

    def __str__(self) -> str:
        return self.number


class InvoiceLine(OperatorOwned):
    """One charge row on one invoice; no charge row stands on two."""

    invoice = TenantForeignKey(Invoice)
    line = models.PositiveIntegerField()
    charge = TenantForeignKey(Charge)
    amount = models.DecimalField(max_digits=20, decimal_places=4)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "invoice", "line"], name="billing_invoiceline_line"),
            models.UniqueConstraint(fields=["operator", "charge"], name="billing_invoiceline_charge"),
        ]
