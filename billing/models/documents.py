"""Documents as they were issued, their numbers, and how they were sent."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.closing import Charge, PeriodClose
from billing.models.columns import word

DOCUMENT_KINDS = ("invoice", "credit_note", "opening")


class NumberSeries(OperatorOwned):
    """Numbers without gaps: the next one is drawn in the transaction that uses it.

    One for each legal entity and kind of document; ``code`` begins its numbers. The row of the code INV is also the lock
    under which prices and contracts change and months close.
    """

    code = models.CharField(max_length=16)
    next = models.PositiveIntegerField(default=1)
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    kind = word(12, *DOCUMENT_KINDS, default="invoice")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "code"], name="billing_numberseries_code")]


class Document(OperatorOwned):
    """An issued document. It never changes: ``document`` is what the customer got, each chained to the one before.

    ``kind`` opening is a debt that was open when the operator joined: it has a number of the books before, no series and
    no lines. Amounts are never negative: a credit note gives back its ``total``. ``customer`` is who pays. ``group`` tells
    apart the documents of one customer at one close. ``corrects`` is the invoice that a credit note gives back of.
    """

    kind = word(12, *DOCUMENT_KINDS, default="invoice")
    series = TenantForeignKey(NumberSeries, null=True, db_index=False)
    ordinal = models.PositiveIntegerField(null=True)
    number = models.CharField(max_length=40)
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    customer = TenantForeignKey("accounts.Customer", db_index=False)
    close = TenantForeignKey(PeriodClose, null=True, db_index=False)
    corrects = TenantForeignKey("billing.Document", null=True, db_index=False)
    group = word(64)
    issued_on = models.DateField()
    due_on = models.DateField(null=True)
    currency = models.CharField(max_length=3)
    net = columns.amount(default=0, db_default=0)
    tax = columns.amount(default=0, db_default=0)
    total = columns.amount()
    po_number = word(60)
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    previous_sha256 = models.CharField(max_length=64, blank=True)
    ubl = models.TextField(default="", db_default="", blank=True)
    ubl_sha256 = word(64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "number"], name="billing_document_number"),
            models.UniqueConstraint(
                fields=["operator", "series", "ordinal"], name="billing_document_ordinal"
            ),
            models.UniqueConstraint(
                fields=["operator", "close", "customer", "currency", "kind", "group"],
                name="billing_document_once",
            ),
            models.CheckConstraint(condition=Q(total__gte=0), name="billing_document_not_negative"),
            models.CheckConstraint(
                condition=Q(kind="opening", series=None) | (~Q(kind="opening") & Q(series__isnull=False)),
                name="billing_document_series",
            ),
            models.CheckConstraint(
                condition=Q(corrects=None) | Q(kind="credit_note"), name="billing_document_corrects"
            ),
        ]
        indexes = [
            # A customer's documents.
            models.Index(fields=["operator", "customer"], name="billing_document_customer"),
            # What was given back of an invoice.
            models.Index(
                fields=["operator", "corrects"],
                condition=~Q(corrects=None),
                name="billing_document_corrects_ix",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class DocumentLine(OperatorOwned):
    """One charge row on one document, or what a credit note gives back of an invoice's line.

    No charge row stands on two documents. ``amount`` is net and signed as the charge is; on a credit note by hand it is
    the amount given back, positive, of the line ``credits``.
    """

    document = TenantForeignKey(Document, db_index=False)
    line = models.PositiveIntegerField()
    charge = TenantForeignKey(Charge, null=True, db_index=False)
    credits = TenantForeignKey("billing.DocumentLine", null=True, db_index=False)
    amount = columns.amount()
    tax_category = word(2)
    tax_rate = models.DecimalField(max_digits=7, decimal_places=4, default=0, db_default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "document", "line"], name="billing_documentline_line"
            ),
            models.UniqueConstraint(fields=["operator", "charge"], name="billing_documentline_charge"),
        ]
        indexes = [
            # What is left of a line to give back.
            models.Index(
                fields=["operator", "credits"],
                condition=~Q(credits=None),
                name="billing_documentline_credits",
            ),
        ]


class Sending(OperatorOwned):
    """A message to a customer with a document or about it: what, to whom, when it went out, and when it was first opened.

    ``kind``: issue, again, reminder or statement; ``step`` counts reminders. ``key`` keeps one from going out twice.
    """

    KINDS = ("issue", "again", "reminder", "statement", "price_change")

    customer = TenantForeignKey("accounts.Customer")
    document = TenantForeignKey(Document, null=True)
    kind = models.CharField(max_length=12, choices=columns.choices(KINDS))
    step = models.PositiveSmallIntegerField(default=0)
    key = models.CharField(max_length=120)
    to = models.EmailField(max_length=254)
    subject = models.CharField(max_length=200)
    owed_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True)
    failed = word(200)
    read_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "key"], name="billing_sending_key")]
        indexes = [models.Index(fields=["operator", "document"], name="billing_sending_document")]
