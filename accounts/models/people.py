"""Operators, the people and crews who work for them, and what they send from."""

from __future__ import annotations

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower, Now

from accounts.ids import uuid7
from accounts.models.choices import MEASURES, ROLES, choices
from accounts.tenancy import OperatorOwned, TenantForeignKey


class UserManager(BaseUserManager["User"]):
    def get_by_natural_key(self, username: str | None) -> User:
        return self.get(email=(username or "").strip().lower())


class User(AbstractBaseUser):  # type: ignore[django-manager-missing]
    """A person who signs in. Global: one person may be a member of several operators."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    email = models.EmailField(max_length=254, unique=True)
    name = models.CharField(max_length=120)
    is_active = models.BooleanField(default=True)
    # Of those who run the service: an owner may let them look into an operator for a while, and nobody else does.
    is_support = models.BooleanField(default=False, db_default=False)
    created_at = models.DateTimeField(db_default=Now(), editable=False)
    password_set_at = models.DateTimeField(null=True, blank=True)

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

    kind = models.CharField(max_length=10, choices=choices("phone", "office"))
    crew = TenantForeignKey(Crew, null=True, blank=True)
    label = models.CharField(max_length=80)
    registered_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    # A program holds its token then: it may do what the program may, which is to see no site's codes.
    by_program = models.BooleanField(default=False, db_default=False)

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
    """A phone's bearer token. Only its SHA-256 is kept; the token itself is shown once."""

    device = TenantForeignKey(Device)
    role = models.CharField(max_length=20, choices=ROLES)
    label = models.CharField(max_length=80)
    digest = models.BinaryField(max_length=32, unique=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
