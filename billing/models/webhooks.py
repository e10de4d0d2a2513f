"""Webhooks: where hints are sent, each hint, and each attempt to deliver it. The feed is the truth; a hint says "look"."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey
from billing.models import columns
from billing.models.columns import word
from billing.models.feed import CHANGE_KINDS
from billing.rules.webhooks import messages

# What an endpoint may ask for: kinds of the feed, and alerts.
WEBHOOK_KINDS = (*CHANGE_KINDS, messages.ALERT)


class WebhookEndpoint(OperatorOwned):
    """An address of a program that wants to be told. Its signing secret is kept sealed by the key of the environment.

    ``secret_before`` signs as well until ``before_until``. ``sequence`` is that of its last hint, ``told_position`` how far
    the feed was told to it. ``failing_since``: the first failure since its last success. A stopped one gets nothing.
    """

    url = models.CharField(max_length=500)
    description = word(120)
    kinds = models.JSONField(default=list)
    secret = models.BinaryField()
    secret_before = models.BinaryField(null=True)
    before_until = models.DateTimeField(null=True)
    sequence = models.PositiveBigIntegerField(default=0)
    told_position = models.BigIntegerField(default=0)
    made_at = models.DateTimeField()
    made_by = models.UUIDField(null=True)
    failing_since = models.DateTimeField(null=True)
    stopped_at = models.DateTimeField(null=True)
    stopped_why = word(200)
    removed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(secret_before=None, before_until=None)
                | Q(secret_before__isnull=False, before_until__isnull=False),
                name="billing_webhookendpoint_before",
            ),
            models.CheckConstraint(
                condition=Q(removed_at=None) | Q(stopped_at__isnull=False),
                name="billing_webhookendpoint_removed",
            ),
        ]
        indexes = [
            # Who is to be told.
            models.Index(
                fields=["operator", "id"], condition=Q(stopped_at=None), name="billing_webhookendpoint_live"
            ),
        ]

    def __str__(self) -> str:
        return self.url


class AlertTelling(OperatorOwned):
    """How far an endpoint that asked for alerts was told of them: the turn of the last sweep whose changes it was told.

    Apart from the endpoint's row, whose changes the audit notes.
    """

    endpoint = TenantForeignKey(WebhookEndpoint)
    told_turn = models.BigIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "endpoint"], name="billing_alerttelling_endpoint")
        ]


class WebhookDelivery(OperatorOwned):
    """One hint to one endpoint: its bytes never change, and its ``message_id`` stays over all attempts and replays.

    It waits while ``next_at`` says when it is tried next. ``replayed_after``: how many attempts came before its last replay.
    """

    endpoint = TenantForeignKey(WebhookEndpoint, db_index=False)
    sequence = models.PositiveBigIntegerField()
    message_id = models.CharField(max_length=40)
    type = models.CharField(max_length=40)
    body = models.TextField()
    made_at = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    replayed_after = models.PositiveSmallIntegerField(default=0)
    next_at = models.DateTimeField(null=True)
    delivered_at = models.DateTimeField(null=True)
    given_up_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "endpoint", "sequence"], name="billing_webhookdelivery_sequence"
            ),
            models.UniqueConstraint(
                fields=["operator", "message_id"], name="billing_webhookdelivery_message"
            ),
        ]
        indexes = [
            # What waits or was given up: little, whatever has arrived over the years.
            models.Index(
                fields=["operator", "endpoint"],
                condition=Q(delivered_at=None),
                name="billing_webhookdelivery_open",
            ),
        ]


class WebhookAttempt(OperatorOwned):
    """One attempt: when, how long, what came of it. ``status`` is the answer's, None when there was none."""

    OUTCOMES = ("delivered", "refused", "unreachable", "forbidden_address", "timed_out", "gone")

    delivery = TenantForeignKey(WebhookDelivery, db_index=False)
    number = models.PositiveSmallIntegerField()
    began_at = models.DateTimeField()
    milliseconds = models.PositiveIntegerField()
    status = models.PositiveSmallIntegerField(null=True)
    outcome = models.CharField(max_length=20, choices=columns.choices(OUTCOMES))
    detail = word(200)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "delivery", "number"], name="billing_webhookattempt_number"
            ),
        ]
