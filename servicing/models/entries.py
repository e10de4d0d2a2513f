"""How a crew gets in where a word or a number is needed: sealed, and opened for nobody but the crew on its day."""

from __future__ import annotations

from django.db import models

from accounts.tenancy import OperatorOwned, TenantForeignKey


class EntrySecret(OperatorOwned):
    """A code of a site's, such as of its key box or alarm. ``sealed`` is AES-256-GCM under a key of the environment.

    A code that is replaced or struck stays as a row without its content, so that its showings still have a name.
    """

    site = TenantForeignKey("accounts.Site")
    label = models.CharField(max_length=60)
    sealed = models.BinaryField(null=True)
    set_by = TenantForeignKey("accounts.Member", null=True, blank=True)
    set_at = models.DateTimeField()
    struck_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "site", "label"],
                condition=models.Q(struck_at=None),
                name="servicing_entrysecret_label",
            ),
            models.CheckConstraint(
                condition=models.Q(sealed__isnull=True, struck_at__isnull=False)
                | models.Q(sealed__isnull=False, struck_at__isnull=True),
                name="servicing_entrysecret_or_struck",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class EntryShowing(OperatorOwned):
    """A code was shown: to whom, when, for which day. Only added to."""

    secret = TenantForeignKey(EntrySecret)
    crew = TenantForeignKey("accounts.Crew")
    actor_kind = models.CharField(max_length=10)
    actor_id = models.UUIDField()
    name = models.CharField(max_length=120)
    day = models.DateField()
    shown_at = models.DateTimeField()

    class Meta:
        indexes = [
            models.Index(fields=["operator", "secret", "-shown_at"], name="servicing_entryshowing_secret"),
            # how many a crew was shown on a day
            models.Index(fields=["operator", "crew", "day"], name="servicing_entryshowing_day"),
        ]

    def __str__(self) -> str:
        return self.name
