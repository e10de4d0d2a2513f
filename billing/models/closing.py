"""What a close of a month made of the log: its frozen inputs, what became of each event, and the charges; and previews."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models.columns import choices, word
from billing.models.prices import PriceVersion
from billing.rules.dispositions import Outcome, Reason
from billing.rules.invoicing import Kind
from billing.rules.rating import Rule


class PeriodClose(OperatorOwned):
    """A month closed at a position of the log, with everything else that was read for it.

    ``inputs`` is what all parts of the close read, ``CloseInputs`` what each part reads beside it: together they make the
    close repeatable to the byte. ``inputs_sha256`` covers both. The two counts are days in service that nothing was
    billed for. ``held``: what could not be rated yet, with its reason, and is rated again at the next close.
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
    held = models.JSONField(default=list, db_default=[])

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "month"], name="billing_periodclose_month"),
            models.CheckConstraint(condition=Q(month__day=1), name="billing_periodclose_first_day"),
        ]


class CloseInputs(OperatorOwned):
    """What one part of a close read: some customers with their sites, stations, units and contracts, frozen."""

    close = TenantForeignKey(PeriodClose, db_index=False)
    part = models.PositiveIntegerField()
    inputs = models.JSONField()
    inputs_sha256 = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "close", "part"], name="billing_closeinputs_part")
        ]


class EventDisposition(OperatorOwned):
    """What became of an event at a close; the row of the latest close holds. Unchanged ones get no new row.

    ``clause`` names the rule of the contract that included it, ``counter`` its place: "1 of 1 from 2026-03-01".
    """

    close = TenantForeignKey(PeriodClose, db_index=False)
    event_id = models.UUIDField()
    subject_id = models.UUIDField()
    site_id = models.UUIDField(null=True)
    outcome = models.CharField(max_length=12, choices=choices(Outcome))
    reason = models.CharField(max_length=20, choices=choices(Reason), blank=True)
    charge_key = models.CharField(max_length=64, blank=True)
    superseded_by = models.UUIDField(null=True)
    clause = word(40)
    counter = word(40)

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

    The rows of a key sum to the charge as it stands. A row that no document's line names is open. ``clause`` is the rule
    of the contract or the list that it follows, ``workings`` the figures of its arithmetic, ``in_advance`` whether its
    days were still to come.
    """

    close = TenantForeignKey(PeriodClose, db_index=False)
    key = models.CharField(max_length=64)
    kind = models.CharField(max_length=8, choices=choices(Kind))
    rule = models.CharField(max_length=16, choices=choices(Rule))
    clause = word(40)
    subject_id = models.UUIDField()
    event_id = models.UUIDField(null=True)
    item_code = models.CharField(max_length=40)
    item_name = models.CharField(max_length=120)
    price_version = TenantForeignKey(PriceVersion, null=True, db_index=False)
    unit_price = models.DecimalField(max_digits=20, decimal_places=6)
    currency = models.CharField(max_length=3)
    customer = TenantForeignKey("accounts.Customer")
    agreement = TenantForeignKey("accounts.ServiceAgreement", null=True, db_index=False)
    agreement_number = models.CharField(max_length=30)
    contract = TenantForeignKey("billing.Contract", null=True, db_index=False)
    contract_number = word(30)
    site = TenantForeignKey("accounts.Site", null=True)
    site_code = models.CharField(max_length=20)
    site_name = models.CharField(max_length=200)
    unit_code = models.CharField(max_length=9, blank=True)
    place = models.CharField(max_length=210, blank=True)
    service_on = models.DateField()
    occurred_at = models.DateTimeField(null=True)
    starts_on = models.DateField()
    ends_before = models.DateField()
    part = models.DecimalField(max_digits=8, decimal_places=1)
    whole = models.PositiveSmallIntegerField()
    amount = models.DecimalField(max_digits=20, decimal_places=4)
    tax_class = word(10, default="standard")
    revenue_account = word(20)
    in_advance = models.BooleanField(default=False, db_default=False)
    workings = models.JSONField(default=dict, db_default={})

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
            # What was billed in advance, when its days are released.
            models.Index(
                fields=["operator", "ends_before"],
                condition=Q(in_advance=True),
                name="billing_charge_in_advance",
            ),
        ]


class Preview(OperatorOwned):
    """What closing a month would have given at a position of the log: its figures, held against the preview before."""

    month = models.DateField()
    cut_position = models.BigIntegerField()
    made_at = models.DateTimeField()
    made_by = models.UUIDField(null=True)
    summary = models.JSONField()

    class Meta:
        indexes = [models.Index(fields=["operator", "month", "made_at"], name="billing_preview_latest")]
