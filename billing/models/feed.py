"""What programs of the accounts follow: the feed of changes, the names they give our rows, and their account numbers."""

from __future__ import annotations

from django.db import models

from accounts.tenancy import OperatorOwned, OperatorScoped, TenantForeignKey
from billing.models import columns
from billing.rules.feed_tokens import KINDS

# What the feed tells of.
CHANGE_KINDS = KINDS
# What a program may give a name of its own.
NAMED_KINDS = ("customer", "invoice", "credit_note", "opening", "payment", "refund", "price_item", "site")


class Change(OperatorScoped):
    """Where in the feed the latest change of a thing stands; the next change of it moves it to the end.

    Written by the database itself at the end of a transaction: triggers on the tables of these things draw ``position``
    under the operator's lock, so position order is commit order, and gaps mean nothing. ``version`` counts a thing's
    changes; ``gone``: it is no longer there, and this row is what is left to tell.
    """

    pk = models.CompositePrimaryKey("operator_id", "kind", "object_id")
    kind = models.CharField(max_length=16, choices=columns.choices(CHANGE_KINDS))
    object_id = models.UUIDField()
    position = models.BigIntegerField()
    version = models.PositiveIntegerField(default=1)
    gone = models.BooleanField(default=False)
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [
            # The feed reads on from a position.
            models.UniqueConstraint(fields=["operator", "position"], name="billing_change_position"),
        ]


class ExternalId(OperatorOwned):
    """What a program calls a row of ours in its own books; ``system`` is the word it chose for itself."""

    system = models.CharField(max_length=40)
    kind = models.CharField(max_length=16, choices=columns.choices(NAMED_KINDS))
    object_id = models.UUIDField()
    external_id = models.CharField(max_length=120)
    set_at = models.DateTimeField()
    set_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "system", "kind", "object_id"], name="billing_externalid_object"
            ),
            models.UniqueConstraint(
                fields=["operator", "system", "kind", "external_id"], name="billing_externalid_name"
            ),
        ]


class AccountMapping(OperatorOwned):
    """Which account of a program's books an account of our ledger is, for one legal entity or (none) for all."""

    system = models.CharField(max_length=40)
    legal_entity = TenantForeignKey("billing.LegalEntity", null=True)
    account = models.CharField(max_length=20)
    external_account = models.CharField(max_length=60)
    external_name = columns.word(120)
    set_at = models.DateTimeField()
    set_by = models.UUIDField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "system", "legal_entity", "account"],
                nulls_distinct=False,
                name="billing_accountmapping_account",
            ),
        ]
