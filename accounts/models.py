"""Who: operators, people, crews and their devices, customers, sites, what was agreed, and the jobs owed."""

from __future__ import annotations

from decimal import Decimal

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeBoundary, RangeOperators
from django.db import models
from django.db.models import F, Func, Q
from django.db.models.functions import Lower, Now
from oauth2_provider.models import AbstractApplication

from accounts.ids import uuid7
from accounts.permissions import Role
from accounts.tenancy import OperatorOwned, TenantForeignKey


def _choices(*words: str) -> list[tuple[str, str]]:
    return [(word, word.replace("_", " ")) for word in words]


ROLES = _choices(*Role)
SITE_KINDS = _choices(
    "arena", "beach", "clinic", "hotel", "office", "plant", "restaurant", "retail", "school", "transit"
)


# How much dust and grease the air carries, which dirties reservoirs; a person's judgement of the place.
DUST = _choices("low", "normal", "high")
# In which units volumes, lengths and hardness read on pages; what is stored is always metric.
MEASURES = _choices("metric", "us")


class UserManager(BaseUserManager["User"]):
    def get_by_natural_key(self, username: str | None) -> User:
        return self.get(email=(username or "").strip().lower())


class User(AbstractBaseUser):  # type: ignore[django-manager-missing]
    """A person who signs in. Global: one person may be a member of several operators."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    email = models.EmailField(max_length=254, unique=True)
    name = models.CharField(max_length=120)
    is_active = models.BooleanField(default=True)
    created_at = models.DateTimeField(db_default=Now(), editable=False)

    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(email=Lower("email")), name="accounts_user_email_lower")
        ]

    def __str__(self) -> str:
        return self.email


class Operator(models.Model):
    """A tenant. Its own row is isolated too: the scope is its id."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    slug = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    legal_name = models.CharField(max_length=200)
    currency = models.CharField(max_length=3)
    minor_units = models.PositiveSmallIntegerField(default=2)
    zone = models.CharField(max_length=64)
    locale = models.CharField(max_length=20, default="en-GB")
    measures = models.CharField(max_length=6, choices=MEASURES, default="metric", db_default="metric")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(currency__regex=r"^[A-Z]{3}$"), name="accounts_operator_currency"
            ),
            models.CheckConstraint(condition=Q(minor_units__lte=4), name="accounts_operator_minor_units"),
        ]

    def __str__(self) -> str:
        return self.name


class MachineClient(AbstractApplication):
    """A program's OAuth client, bound to one operator. Read before the operator is known, so it is global."""

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="+")

    class Meta(AbstractApplication.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(authorization_grant_type="client-credentials"),
                name="accounts_machineclient_grant",
            )
        ]


class Crew(OperatorOwned):
    name = models.CharField(max_length=80)
    is_active = models.BooleanField(default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["operator", "name"], name="accounts_crew_name")]

    def __str__(self) -> str:
        return self.name


class Member(OperatorOwned):
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    role = models.CharField(max_length=20, choices=ROLES)
    crew = TenantForeignKey(Crew, null=True, blank=True)
    name = models.CharField(max_length=120)
    is_active = models.BooleanField(default=True)
    locale = models.CharField(
        max_length=20, blank=True, default="", db_default="", help_text="Empty: the operator's."
    )
    # Set from the invitation until it is accepted; a member who is invited is not active yet.
    invited_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "user"], name="accounts_member_user"),
            models.CheckConstraint(
                condition=Q(invited_at=None) | Q(is_active=False), name="accounts_member_invited"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Device(OperatorOwned):
    """What events come from: a crew's phone, or the operator's own ``office`` for forms and commands."""

    kind = models.CharField(max_length=10, choices=_choices("phone", "office"))
    crew = TenantForeignKey(Crew, null=True, blank=True)
    label = models.CharField(max_length=80)
    registered_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator"], condition=Q(kind="office"), name="accounts_device_one_office"
            ),
            models.CheckConstraint(
                condition=Q(kind="office", crew=None) | Q(kind="phone", crew__isnull=False),
                name="accounts_device_crew",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class AccessToken(OperatorOwned):
    """A bearer token of a device or a program. Only its SHA-256 is kept; the token itself is shown once."""

    device = TenantForeignKey(Device, null=True, blank=True)
    role = models.CharField(max_length=20, choices=ROLES)
    label = models.CharField(max_length=80)
    digest = models.BinaryField(max_length=32, unique=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)


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


class ServiceAgreement(OperatorOwned):
    """Which service a site gets, and when. Terms never change in place: they end, and the next row begins."""

    site = TenantForeignKey(Site)
    number = models.CharField(max_length=30)
    interval_months = models.PositiveSmallIntegerField(default=1)
    grace_before_days = models.PositiveSmallIntegerField(default=5)
    grace_after_days = models.PositiveSmallIntegerField(default=3)
    anchor_on = models.DateField()
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True, help_text="The first day that is no longer agreed.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "number"], name="accounts_agreement_number"),
            models.CheckConstraint(
                condition=Q(interval_months__range=(1, 12)), name="accounts_agreement_interval"
            ),
            models.CheckConstraint(
                condition=Q(ends_on=None) | Q(ends_on__gt=F("starts_on")), name="accounts_agreement_dates"
            ),
            models.CheckConstraint(
                # Windows must not swallow each other: a month has at least 28 days.
                condition=Q(grace_before_days__lte=13, grace_after_days__lte=14),
                name="accounts_agreement_grace",
            ),
            ExclusionConstraint(
                name="accounts_agreement_no_overlap",
                expressions=[
                    ("operator", RangeOperators.EQUAL),
                    ("site", RangeOperators.EQUAL),
                    (
                        Func(
                            F("starts_on"),
                            F("ends_on"),
                            RangeBoundary(),
                            function="daterange",
                            output_field=DateRangeField(),
                        ),
                        RangeOperators.OVERLAPS,
                    ),
                ],
            ),
        ]

    def __str__(self) -> str:
        return self.number


class ServiceRules(OperatorOwned):
    """The operator's own values of the due and wick rules, from a date on. A new value is a new row.

    ``dry_target`` is the greatest chance of running dry before a visit that is accepted; ``false_alarms_per_1000`` how
    many of 1,000 visits to units in order may warn of their output. The costs are in the operator's currency: of a wick
    changed in time, of one that fails, of each day that it stays so, of washing one. The defaults are judgement.
    """

    effective_from = models.DateField()
    long_past_days = models.PositiveSmallIntegerField(default=14)
    dry_soon_days = models.PositiveSmallIntegerField(default=3)
    wick_watch_days = models.PositiveSmallIntegerField(default=420)
    wick_limit_days = models.PositiveSmallIntegerField(default=540)
    dry_target = models.DecimalField(
        max_digits=4, decimal_places=3, default=Decimal("0.100"), db_default=Decimal("0.100")
    )
    false_alarms_per_1000 = models.DecimalField(
        max_digits=5, decimal_places=2, default=Decimal("2.00"), db_default=Decimal("2.00")
    )
    wick_change_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("8.00"), db_default=Decimal("8.00")
    )
    wick_failure_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("30.00"), db_default=Decimal("30.00")
    )
    wick_down_day_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("0.50"), db_default=Decimal("0.50")
    )
    wick_wash_cost = models.DecimalField(
        max_digits=9, decimal_places=2, default=Decimal("3.00"), db_default=Decimal("3.00")
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "effective_from"], name="accounts_servicerules_from")
        ]


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

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["operator", "kind", "dedup_key"], name="accounts_job_key")
        ]
        indexes = [
            # The relay's claim: what is due, not done, not leased.
            models.Index(fields=["run_at"], condition=Q(done_at=None), name="accounts_job_due"),
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
