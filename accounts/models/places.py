"""Who is billed, where the units hang, and whom a visit is told to."""

from __future__ import annotations

from django.db import models

from accounts.models.choices import DUST, SITE_KINDS
from accounts.models.people import Crew
from accounts.tenancy import OperatorOwned, TenantForeignKey


class Customer(OperatorOwned):
    """Who is billed."""

    code = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    billing_email = models.EmailField(max_length=254, blank=True)
    address = models.TextField(blank=True)
    country = models.CharField(max_length=2)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "code"], name="accounts_customer_code")]

    def __str__(self) -> str:
        return self.name


class Site(OperatorOwned):
    """A place with units. Its zone never changes (due days hang on it): a place that moves is a new site."""

    customer = TenantForeignKey(Customer)
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    kind = models.CharField(max_length=20, choices=SITE_KINDS)
    address = models.TextField(blank=True)
    area = models.CharField(max_length=80, blank=True)
    latitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    zone = models.CharField(max_length=64)
    crew = TenantForeignKey(Crew, null=True, blank=True)
    hardness_mg_per_l = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Hardness of the site's water as CaCO3; null while it is not known."
    )
    dust = models.CharField(max_length=6, choices=DUST, default="normal", db_default="normal")
    access = models.TextField(
        blank=True,
        default="",
        db_default="",
        help_text="How a crew gets in. No code and no key's place stands here.",
    )

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "code"], name="accounts_site_code")]

    def __str__(self) -> str:
        return self.name


class SiteContact(OperatorOwned):
    """Somebody at a site who is told of visits by mail, if they want to be."""

    site = TenantForeignKey(Site)
    name = models.CharField(max_length=120, blank=True)
    email = models.EmailField(max_length=254)
    wants_announcements = models.BooleanField(default=True)
    added_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "site", "email"], name="accounts_sitecontact_email")
        ]

    def __str__(self) -> str:
        return self.name or self.email
