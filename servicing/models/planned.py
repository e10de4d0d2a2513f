"""What the office intends and notes: planned visits, what a site was told of them, notes, and when the lookout last changed."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, OperatorScoped, TenantForeignKey

NOT_CALLED_OFF = Q(called_off_at=None)


class PlannedVisit(OperatorOwned):
    """A visit that a crew is to make; a round is what one crew has planned for one day. What came of it is in the log.

    ``begins_at`` and ``minutes`` are expected, in the site's zone; ``moved_from_on`` is the day it was last moved from.
    """

    site = TenantForeignKey("accounts.Site")
    crew = TenantForeignKey("accounts.Crew", null=True, blank=True)
    day = models.DateField()
    begins_at = models.TimeField(null=True, blank=True)
    minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    made_by = TenantForeignKey("accounts.Member", null=True, blank=True)
    made_at = models.DateTimeField()
    moved_from_on = models.DateField(null=True, blank=True)
    called_off_at = models.DateTimeField(null=True, blank=True)
    called_off_reason = models.CharField(max_length=20, blank=True)

    class Meta:
        constraints = [
            # One open plan a site and day; it also finds a site's next visit.
            models.UniqueConstraint(
                fields=["operator", "site", "day"],
                condition=NOT_CALLED_OFF,
                name="servicing_plannedvisit_once",
            )
        ]
        indexes = [
            models.Index(
                fields=["operator", "day", "crew"], condition=NOT_CALLED_OFF, name="servicing_planned_round"
            )
        ]  # the rounds of a day


class SiteNote(OperatorOwned):
    """What the office wants to remember of a site; struck once it no longer matters."""

    site = TenantForeignKey("accounts.Site")
    text = models.CharField(max_length=500)
    written_by = TenantForeignKey("accounts.Member", null=True, blank=True)
    written_at = models.DateTimeField()
    struck_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["operator", "site"], condition=Q(struck_at=None), name="servicing_sitenote_site"
            )
        ]  # notes that still matter


class Announcement(OperatorOwned):
    """A planned visit told to somebody at the site, once a contact and day; the mail is owed until it is sent or fails."""

    planned_visit = TenantForeignKey(PlannedVisit)
    contact = TenantForeignKey("accounts.SiteContact")
    day = models.DateField()
    email = models.EmailField(max_length=254)
    queued_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    failure = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "planned_visit", "contact", "day"], name="servicing_announcement_once"
            )
        ]


class Pulse(OperatorScoped):
    """How often what a page shows has changed; a page that asks again compares this one row. Writers add one to it."""

    pk = models.CompositePrimaryKey("operator_id", "page")
    page = models.CharField(max_length=20)
    count = models.BigIntegerField()
    changed_at = models.DateTimeField()
