"""The service-event log (made by SQL, append only), its seals, and how far projections have read it."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from accounts.tenancy import OperatorScoped


class Event(OperatorScoped):
    """One line of the log. The table, its triggers and privileges stand in the migration; nothing updates a row."""

    pk = models.CompositePrimaryKey("operator_id", "position")
    position = models.BigIntegerField()
    event_id = models.UUIDField()
    device_id = models.UUIDField()
    device_sequence = models.BigIntegerField()
    subject_kind = models.TextField()
    subject_id = models.UUIDField()
    type = models.TextField()
    schema_version = models.SmallIntegerField()
    occurred_at = models.DateTimeField()
    received_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    actor_kind = models.TextField()
    actor_id = models.UUIDField(null=True)
    member_id = models.UUIDField(null=True)
    visit_id = models.UUIDField(null=True)
    touch_id = models.UUIDField(null=True)
    corrects = models.UUIDField(null=True)
    payload = models.JSONField()
    content_hash = models.BinaryField()

    class Meta:
        managed = False
        db_table = "servicing_event"


class Seal(OperatorScoped):
    """What a block of events was when it was sealed, chained to the seal before. Only added to; nothing updates a row."""

    pk = models.CompositePrimaryKey("operator_id", "number")
    number = models.IntegerField()
    first_position = models.BigIntegerField()
    last_position = models.BigIntegerField()
    count = models.IntegerField()
    total = models.BigIntegerField()
    root = models.BinaryField()
    previous_hash = models.BinaryField()
    seal_hash = models.BinaryField()
    sealed_at = models.DateTimeField()
    reason = models.CharField(max_length=8)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(number__gt=0, count__gt=0, last_position__gte=F("first_position")),
                name="servicing_seal_covers_events",
            )
        ]


class Checkpoint(OperatorScoped):
    """Up to which position a projection has folded the operator's log; saved with the projection's own rows."""

    pk = models.CompositePrimaryKey("operator_id", "projection")
    projection = models.CharField(max_length=40)
    position = models.BigIntegerField()


class ProjectionVersion(models.Model):
    """A making of all derived tables: building, live (one of each at most), or retired. Written by the rebuild alone."""

    version = models.IntegerField(primary_key=True)
    state = models.CharField(max_length=8)
    code_hash = models.CharField(max_length=64)
    started_at = models.DateTimeField()
    live_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["state"],
                condition=Q(state__in=["building", "live"]),
                name="servicing_projectionversion_one",
            )
        ]

    def __str__(self) -> str:
        return f"version {self.version}, {self.state}"
