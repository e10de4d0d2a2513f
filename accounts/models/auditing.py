"""What was changed, by whom and from where: one entry a change, chained, in a table that is only ever added to."""

from __future__ import annotations

from django.db import models

from accounts.tenancy import OperatorScoped


class AuditEntry(OperatorScoped):
    """Who did what to which row. The database fills in all but ``action``, ``kind``, ``row_id`` and ``about``.

    ``said`` is the other columns as one text, ``hash`` the SHA-256 of the hash before it and of that text, so that nothing
    before a kept hash can be changed, taken out, put in or moved unnoticed.
    """

    pk = models.CompositePrimaryKey("operator_id", "number")
    # Without gaps, in the order of commits.
    number = models.BigIntegerField()
    at = models.DateTimeField()
    actor_kind = models.CharField(max_length=10)
    actor_id = models.UUIDField(null=True)
    actor_name = models.CharField(max_length=200)
    address = models.CharField(max_length=45)
    request_id = models.UUIDField(null=True)
    door = models.CharField(max_length=200)
    # "added", "changed" or "removed" of a row, or an act by its name.
    action = models.CharField(max_length=40)
    kind = models.CharField(max_length=40)
    row_id = models.CharField(max_length=200)
    about = models.JSONField(default=dict)
    said = models.TextField()
    previous_hash = models.BinaryField(max_length=32)
    hash = models.BinaryField(max_length=32)

    class Meta:
        indexes = [
            # What one did, what was done to things of a kind, and what happened on a day, the newest first.
            models.Index(fields=["operator", "actor_id", "number"], name="accounts_auditentry_who"),
            models.Index(fields=["operator", "kind", "number"], name="accounts_auditentry_what"),
            models.Index(fields=["operator", "at", "number"], name="accounts_auditentry_when"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.action} {self.kind}"
