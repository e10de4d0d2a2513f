"""Bank statements as they were imported, and what became of each of their entries."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word
from billing.models.ledger import Payment, Refund


class BankStatement(OperatorOwned):
    """One statement of an ISO 20022 file that was taken in: opening + entries = closing, balances above zero to our credit."""

    file_sha256 = models.CharField(max_length=64)
    file_name = word(200)
    message_id = word(35)
    statement_id = models.CharField(max_length=35)
    account = models.CharField(max_length=34)
    currency = models.CharField(max_length=3)
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    since = models.DateField(null=True)
    until = models.DateField(null=True)
    opening = columns.amount()
    closing = columns.amount()
    imported_at = models.DateTimeField()
    imported_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "account", "statement_id", "closing", "until"],
                nulls_distinct=False,
                name="billing_bankstatement_once",
            ),
        ]
        indexes = [
            models.Index(fields=["operator", "imported_at"], name="billing_bankstatement_latest"),
            # Whether a file was taken in before.
            models.Index(fields=["operator", "file_sha256"], name="billing_bankstatement_file"),
        ]


class BankEntry(OperatorOwned):
    """One movement of an account. ``key`` is made of the account and the bank's own name of it, so it is taken in once.

    ``amount`` is above zero; ``credit``: it came in. ``state`` says what became of it, ``why`` in a sentence.
    """

    STATES = ("booked", "part_booked", "unmatched", "set_aside", "returned")

    statement = TenantForeignKey(BankStatement, db_index=False)
    ordinal = models.PositiveIntegerField()
    key = models.CharField(max_length=64)
    booked_on = models.DateField()
    value_on = models.DateField(null=True)
    amount = columns.amount()
    credit = models.BooleanField()
    currency = models.CharField(max_length=3)
    bank_reference = word(80)
    end_to_end = word(35)
    reference = word(35)
    remittance = word(500)
    party = word(140)
    party_account = word(34)
    state = models.CharField(max_length=12, choices=columns.choices(STATES))
    why = word(300)
    payment = TenantForeignKey(Payment, null=True)
    refund = TenantForeignKey(Refund, null=True)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "key"], name="billing_bankentry_key"),
            models.UniqueConstraint(
                fields=["operator", "statement", "ordinal"], name="billing_bankentry_ordinal"
            ),
            models.CheckConstraint(condition=Q(amount__gte=0), name="billing_bankentry_amount"),
        ]
        indexes = [
            # What a person still has to look at.
            models.Index(
                fields=["operator", "booked_on"],
                condition=Q(state="unmatched"),
                name="billing_bankentry_waiting",
            ),
        ]
