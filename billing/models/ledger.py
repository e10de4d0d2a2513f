"""The journal in double entry, what customers paid, and which documents that settles."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word
from billing.models.documents import Document
from billing.rules.ledger import Purpose


class Payment(OperatorOwned):
    """Money received of a customer. ``external_id`` is the payer's or the bank's own name of it, once."""

    customer = TenantForeignKey("accounts.Customer")
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    received_on = models.DateField()
    amount = columns.amount()
    currency = models.CharField(max_length=3)
    method = word(10, "transfer", "card", "cash", "cheque", "other", default="transfer")
    reference = word(140)
    external_id = word(80)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="billing_payment_amount"),
            models.UniqueConstraint(
                fields=["operator", "external_id"],
                condition=~Q(external_id=""),
                name="billing_payment_external_id",
            ),
        ]
        indexes = [models.Index(fields=["operator", "customer"], name="billing_payment_customer")]


class Refund(OperatorOwned):
    """Money that left again: kept money or a credit paid back to the customer, or a payment that the bank took back.

    ``kind`` refund is of what a payment or a credit note has left; return undoes a whole payment, what it settled first.
    ``external_id`` is the payer's or the bank's own name of it, once.
    """

    KINDS = ("refund", "return")

    kind = models.CharField(max_length=6, choices=columns.choices(KINDS))
    customer = TenantForeignKey("accounts.Customer")
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    payment = TenantForeignKey(Payment, null=True)
    credit_note = TenantForeignKey(Document, null=True)
    paid_on = models.DateField()
    amount = columns.amount()
    currency = models.CharField(max_length=3)
    method = word(10, "transfer", "card", "cash", "cheque", "other", default="transfer")
    reference = word(140)
    external_id = word(80)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="billing_refund_amount"),
            models.CheckConstraint(
                condition=Q(payment__isnull=False, credit_note=None)
                | Q(payment=None, credit_note__isnull=False, kind="refund"),
                name="billing_refund_source",
            ),
            models.UniqueConstraint(
                fields=["operator", "external_id"],
                condition=~Q(external_id=""),
                name="billing_refund_external_id",
            ),
            # A payment is taken back once.
            models.UniqueConstraint(
                fields=["operator", "payment"], condition=Q(kind="return"), name="billing_refund_one_return"
            ),
        ]


class Allocation(OperatorOwned):
    """What of a payment or of a credit note settles a document; one that ``undoes`` another has its amount below zero."""

    payment = TenantForeignKey(Payment, null=True)
    credit_note = TenantForeignKey(Document, null=True)
    document = TenantForeignKey(Document)
    amount = columns.amount()
    made_on = models.DateField()
    undoes = TenantForeignKey("billing.Allocation", null=True, db_index=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gt=0, undoes=None) | Q(amount__lt=0, undoes__isnull=False),
                name="billing_allocation_sign",
            ),
            models.UniqueConstraint(
                fields=["operator", "undoes"],
                condition=~Q(undoes=None),
                name="billing_allocation_undone_once",
            ),
            models.CheckConstraint(
                condition=Q(payment=None, credit_note__isnull=False)
                | Q(payment__isnull=False, credit_note=None),
                name="billing_allocation_source",
            ),
        ]
        indexes = [
            models.Index(fields=["operator", "document"], name="billing_allocation_document"),
            models.Index(fields=["operator", "payment"], name="billing_allocation_payment"),
        ]


class JournalEntry(OperatorOwned):
    """A balanced entry. ``key`` is made of what it books and why, so booking it again is the same entry."""

    key = models.CharField(max_length=64)
    ordinal = models.PositiveIntegerField()
    purpose = models.CharField(max_length=16, choices=columns.choices(Purpose))
    entry_on = models.DateField()
    currency = models.CharField(max_length=3)
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    customer = TenantForeignKey("accounts.Customer", null=True)
    document = TenantForeignKey(Document, null=True, db_index=False)
    payment = TenantForeignKey(Payment, null=True)
    refund = TenantForeignKey(Refund, null=True, db_index=False)
    text = word(200)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "key"], name="billing_journalentry_key"),
            models.UniqueConstraint(fields=["operator", "ordinal"], name="billing_journalentry_ordinal"),
        ]
        indexes = [
            models.Index(fields=["operator", "entry_on"], name="billing_journalentry_on"),
            # How a document was booked.
            models.Index(
                fields=["operator", "document"],
                condition=~Q(document=None),
                name="billing_journalentry_document",
            ),
        ]


class JournalLine(OperatorOwned):
    """One side of an entry: an amount to the debit or to the credit of an account."""

    entry = TenantForeignKey(JournalEntry, db_index=False)
    line = models.PositiveIntegerField()
    account = models.CharField(max_length=20)
    debit = columns.amount(default=0)
    credit = columns.amount(default=0)
    site = TenantForeignKey("accounts.Site", null=True, db_index=False)
    jurisdiction = word(20)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "entry", "line"], name="billing_journalline_line"),
            models.CheckConstraint(
                condition=Q(debit__gte=0, credit=0) | Q(debit=0, credit__gte=0),
                name="billing_journalline_one_side",
            ),
        ]
