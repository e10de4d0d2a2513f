"""Proof for the customer: photos of the work, and the links by which a customer reads the service record."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from accounts.tenancy import OperatorOwned, OperatorScoped, TenantForeignKey


class Photo(OperatorScoped):
    """A JPEG of a piece of work; its id is the phone's. Drawn anew when it came in, so nothing of the camera is left.

    ``sha256`` is the hex digest of the bytes as sent, by which a phone knows what has arrived; ``content`` the bytes kept.
    """

    pk = models.CompositePrimaryKey("operator_id", "id")
    id = models.UUIDField()
    unit = TenantForeignKey("fleet.Unit", null=True)
    site = TenantForeignKey("accounts.Site", null=True)
    visit_id = models.UUIDField(null=True)
    touch_id = models.UUIDField(null=True)
    event_id = models.UUIDField(null=True)
    device_id = models.UUIDField()
    taken_at = models.DateTimeField()
    received_at = models.DateTimeField()
    sha256 = models.CharField(max_length=64)
    width = models.PositiveSmallIntegerField()
    height = models.PositiveSmallIntegerField()
    content = models.BinaryField()

    class Meta:
        indexes = [
            models.Index(fields=["operator", "unit", "taken_at"], name="servicing_photo_unit"),  # of a unit
            models.Index(fields=["operator", "site", "taken_at"], name="servicing_photo_site"),  # of a site
        ]


class RecordLink(OperatorOwned):
    """Lets whoever has it read the service record of a customer's sites, of one site or of one restroom, and report.

    The token itself is kept nowhere: it is made of the row's id and the product's secret, and found by its SHA-256.
    """

    digest = models.BinaryField(max_length=32, unique=True)
    customer = TenantForeignKey("accounts.Customer", null=True, blank=True)
    site = TenantForeignKey("accounts.Site", null=True, blank=True)
    restroom = TenantForeignKey("fleet.Restroom", null=True, blank=True)
    label = models.CharField(max_length=120, blank=True)
    made_by = TenantForeignKey("accounts.Member", null=True, blank=True)
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    opened_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="servicing_recordlink_one_subject",
                condition=Q(customer__isnull=False, site=None, restroom=None)
                | Q(customer=None, site__isnull=False, restroom=None)
                | Q(customer=None, site=None, restroom__isnull=False),
            )
        ]
        indexes = [
            models.Index(fields=["operator", "site"], name="servicing_recordlink_site"),  # links of a site
            models.Index(fields=["operator", "customer"], name="servicing_recordlink_cust"),  # of a customer
            models.Index(fields=["operator", "restroom"], name="servicing_recordlink_room"),  # of a restroom
        ]


class LinkUse(OperatorScoped):
    """How often a link was used in a while; ``action`` is open or report, ``since`` the while's beginning."""

    pk = models.CompositePrimaryKey("operator_id", "link_id", "action", "since")
    link = TenantForeignKey(RecordLink)
    action = models.CharField(max_length=10)
    since = models.DateTimeField()
    count = models.PositiveIntegerField()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(count__gte=1), name="servicing_linkuse_counted")]
