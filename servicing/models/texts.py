"""What people said, encrypted under a key of each person."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorScoped


class PersonKey(OperatorScoped):
    """The key of somebody named in texts, wrapped by a key of the environment; gone once destroyed. Backed up apart."""

    pk = models.CompositePrimaryKey("operator_id", "person_id")
    person_id = models.UUIDField()
    wrapped_key = models.BinaryField(null=True)
    made_at = models.DateTimeField()
    destroyed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(wrapped_key__isnull=True, destroyed_at__isnull=False)
                | Q(wrapped_key__isnull=False, destroyed_at__isnull=True),
                name="servicing_personkey_or_destroyed",
            )
        ]


class PersonalText(OperatorScoped):
    """What somebody said, encrypted; an event names its id and hash. No foreign key: a backup may lack the keys."""

    pk = models.CompositePrimaryKey("operator_id", "text_id")
    text_id = models.UUIDField()
    person_id = models.UUIDField()
    ciphertext = models.BinaryField(null=True)
    hash = models.BinaryField()
    filed_at = models.DateTimeField()
    erased_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ciphertext__isnull=True, erased_at__isnull=False)
                | Q(ciphertext__isnull=False, erased_at__isnull=True),
                name="servicing_personaltext_or_erased",
            )
        ]
        indexes = [
            models.Index(fields=["operator", "person_id"], name="servicing_personaltext_person")
        ]  # the texts of a person
