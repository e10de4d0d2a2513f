"""The jobs that are owed, and the answers that were given once and for all."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned


class Job(OperatorOwned):
    """An obligation: what must be done for an operator, once a key. Celery only makes it soon."""

    kind = models.CharField(max_length=80)
    dedup_key = models.CharField(max_length=120)
    ref = models.CharField(max_length=80, blank=True)
    run_at = models.DateTimeField()
    lease_until = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    done_at = models.DateTimeField(null=True)
    last_error = models.TextField(blank=True)
    # Set by a worker at its second attempt and later ones: what waited in a queue until its lease ended was not tried.
    begun_at = models.DateTimeField(null=True)
    # Set by the sweeper when every attempt was in vain; a replay takes it back.
    quarantined_at = models.DateTimeField(null=True)
    # Set, with who said so, when a person decided that it need not be done after all.
    given_up_at = models.DateTimeField(null=True)
    given_up_by = models.CharField(max_length=200, blank=True, default="", db_default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "kind", "dedup_key"], name="accounts_job_key")
        ]
        indexes = [
            # The relay's claim: of each operator and kind what is due first.
            models.Index(
                fields=["operator", "kind", "run_at", "id"],
                condition=Q(done_at=None, quarantined_at=None, given_up_at=None),
                name="accounts_job_due",
            ),
            # What is out with a worker, and whose lease has ended.
            models.Index(
                fields=["lease_until"],
                condition=Q(done_at=None, lease_until__isnull=False),
                name="accounts_job_leased",
            ),
            # What a person is to look at.
            models.Index(
                fields=["operator", "quarantined_at"],
                condition=Q(quarantined_at__isnull=False, given_up_at=None),
                name="accounts_job_quarantined",
            ),
        ]


class KeptAnswer(OperatorOwned):
    """What a POST with an Idempotency-Key was answered, kept so that sending it again does nothing again.

    Stored in the same transaction as what the POST did. ``fingerprint`` is a SHA-256 of what was sent.
    """

    actor_kind = models.CharField(max_length=10)
    actor_id = models.UUIDField(null=True)
    route = models.CharField(max_length=200)
    key = models.CharField(max_length=255)
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(null=True)
    made_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "actor_kind", "actor_id", "route", "key"],
                nulls_distinct=False,
                name="accounts_keptanswer_key",
            )
        ]
        indexes = [
            # What is old enough to be forgotten.
            models.Index(fields=["operator", "made_at"], name="accounts_keptanswer_old"),
        ]
