"""Who is told of alerts by mail, of which and when, and each mail that was owed to somebody."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, TenantForeignKey


class NoticeWish(OperatorOwned):
    """What one member wants to be told: a digest a day of ``kinds``, and ``urgent`` ones as they open.

    ``hour`` is that of the day in the zone of the sites that a digest is about; quiet hours are of the operator's zone, may
    lead over midnight, and hold back what is urgent. ``crew``: only sites of this crew. ``urgent_turn``: up to which sweep's
    turn they were told what is urgent.
    """

    member = TenantForeignKey("accounts.Member")
    is_daily = models.BooleanField(default=True)
    only_news = models.BooleanField(default=True)
    kinds = models.JSONField(default=list)
    hour = models.PositiveSmallIntegerField(default=6)
    urgent = models.JSONField(default=list)
    quiet_from = models.TimeField(null=True, blank=True)
    quiet_until = models.TimeField(null=True, blank=True)
    crew = TenantForeignKey("accounts.Crew", null=True, blank=True)
    urgent_turn = models.BigIntegerField(default=0)
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "member"], name="servicing_noticewish_member"),
            models.CheckConstraint(condition=Q(hour__lte=23), name="servicing_noticewish_hour"),
            models.CheckConstraint(
                condition=Q(quiet_from=None, quiet_until=None)
                | Q(quiet_from__isnull=False, quiet_until__isnull=False),
                name="servicing_noticewish_quiet",
            ),
        ]

    def __str__(self) -> str:
        return str(self.member_id)


class Notice(OperatorOwned):
    """One mail to one member. Its key never repeats, so whoever comes to owe it a second time finds it there.

    ``slot``: the local date of a digest, or what urgent news it is for. Its id follows from the key, and its Message-ID from
    the id, so a mail that was sent twice is known as one. ``turn`` is up to which sweep's turn it tells. ``outcome``: empty
    until it is settled; ``nothing`` when there was nothing to tell.
    """

    KINDS = ("digest", "urgent")
    OUTCOMES = ("sent", "nothing", "failed")

    member = TenantForeignKey("accounts.Member")
    kind = models.CharField(max_length=8, choices=[(one, one) for one in KINDS])
    zone = models.CharField(max_length=64, blank=True)
    slot = models.CharField(max_length=60)
    turn = models.BigIntegerField(default=0)
    count = models.PositiveIntegerField(default=0)
    subject = models.CharField(max_length=200, blank=True)
    body = models.TextField(blank=True)
    owed_at = models.DateTimeField()
    outcome = models.CharField(max_length=8, blank=True, choices=[(one, one) for one in OUTCOMES])
    settled_at = models.DateTimeField(null=True)
    failure = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "member", "kind", "zone", "slot"], name="servicing_notice_key"
            ),
            models.CheckConstraint(
                condition=Q(outcome="", settled_at=None) | (~Q(outcome="") & Q(settled_at__isnull=False)),
                name="servicing_notice_settled",
            ),
        ]
        indexes = [
            # A member's last ones, and the last digest of a zone.
            models.Index(fields=["operator", "member", "-owed_at"], name="servicing_notice_member"),
            # What is old enough to be forgotten.
            models.Index(fields=["operator", "owed_at"], name="servicing_notice_old"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.slot}"
