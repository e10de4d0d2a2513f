"""Who of the service may look into an operator, and for how long; and an operator that is to be closed."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from accounts.models.people import Member, User
from accounts.tenancy import OperatorOwned, TenantForeignKey


class SupportGrant(OperatorOwned):
    """An owner lets one person of the service look at everything, and change nothing, until a given instant."""

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    granted_by = TenantForeignKey(Member)
    granted_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    # Set when it was ended before its time.
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ends_at__gt=F("granted_at")), name="accounts_supportgrant_ends"
            ),
            models.UniqueConstraint(
                fields=["operator", "user"], condition=Q(ended_at=None), name="accounts_supportgrant_one"
            ),
        ]

    def __str__(self) -> str:
        return self.reason


class Closing(OperatorOwned):
    """An owner's word that the operator is to be closed: from ``due_on`` on it may be exported and deleted."""

    asked_by = TenantForeignKey(Member)
    asked_at = models.DateTimeField()
    due_on = models.DateField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    # When everything was last exported since, and the SHA-256 of that file.
    exported_at = models.DateTimeField(null=True, blank=True)
    export_digest = models.CharField(max_length=64, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator"], condition=Q(withdrawn_at=None), name="accounts_closing_one"
            )
        ]

    def __str__(self) -> str:
        return str(self.due_on)
