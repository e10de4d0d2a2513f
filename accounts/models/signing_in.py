"""How people sign in: their sessions, the devices known for them, the count of guesses, and the second factor.

None of it belongs to an operator: one person may work for several. What would let somebody in is kept as a digest or sealed.
"""

from __future__ import annotations

from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models

from accounts.ids import uuid7
from accounts.models.choices import choices
from accounts.models.people import User


class SignIn(AbstractBaseSession):
    """A browser's session. ``session_key`` is the digest of the key in its cookie, so that no copy of the table signs in.

    Without a person it is the short time between a password and its second factor.
    """

    user = models.ForeignKey(User, on_delete=models.CASCADE, null=True, related_name="+")
    started_at = models.DateTimeField()
    seen_at = models.DateTimeField()
    address = models.CharField(max_length=45, blank=True, default="")
    agent = models.CharField(max_length=200, blank=True, default="")


class KnownDevice(models.Model):
    """A browser by which a person has signed in before: guesses from elsewhere do not slow it down. SHA-256 of its cookie."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    digest = models.BinaryField(max_length=32, unique=True)
    made_at = models.DateTimeField()
    seen_at = models.DateTimeField()
    agent = models.CharField(max_length=200, blank=True, default="")

    def __str__(self) -> str:
        return self.agent


class Tally(models.Model):
    """How often somebody tried lately: a count of failures, or how full a bucket is, for one keyed hash of whom and where."""

    key = models.BinaryField(max_length=32, primary_key=True)
    kind = models.CharField(
        max_length=20,
        choices=choices("account", "code", "confirm", "device", "network", "pair", "reset", "reset_network"),
    )
    count = models.PositiveIntegerField(default=0)
    # When the next try may be made; for a bucket, when it is full again.
    free_at = models.DateTimeField()
    changed_at = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return self.kind


class ResetAsked(models.Model):
    """Somebody asked for a link to a new password. The e-mail address they typed is sealed; nobody may work here by it."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    address = models.BinaryField()
    asked_at = models.DateTimeField()

    def __str__(self) -> str:
        return str(self.id)


class SecondFactor(models.Model):
    """A person's authenticator: its secret sealed, and the last time step used, which is not taken twice (RFC 6238 5.2)."""

    user = models.OneToOneField(User, on_delete=models.CASCADE, primary_key=True, related_name="+")
    secret = models.BinaryField()
    made_at = models.DateTimeField()
    # Null until its first code was given.
    confirmed_at = models.DateTimeField(null=True)
    last_step = models.BigIntegerField(default=0)

    def __str__(self) -> str:
        return str(self.user_id)


class RecoveryCode(models.Model):
    """A code that stands in for a lost second factor, once. Only its SHA-256 is kept."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    digest = models.BinaryField(max_length=32, unique=True)
    made_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return str(self.id)
