"""The programs that use the API for an operator: their credentials, the tokens they hold, and what was changed of them."""

from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from oauth2_provider.models import AbstractApplication

from accounts.ids import uuid7
from accounts.models.choices import choices
from accounts.models.people import Operator
from accounts.tenancy import OperatorOwned, TenantForeignKey

# What the library's own column for a secret holds. No secret is this; the real ones are ``ClientSecret`` rows.
NO_SECRET = "!"  # noqa: S105 - the mark of none


class MachineClient(AbstractApplication):
    """A program's OAuth client, bound to one operator.

    Row security lets it be read before the operator is known, and by nobody else inside another operator's scope.
    ``uuid`` is who acts in what a program does; ``client_id`` is what it signs in with.
    """

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="+")
    uuid = models.UUIDField(default=uuid7, unique=True, editable=False)
    scopes = ArrayField(models.CharField(max_length=40), default=list)
    made_at = models.DateTimeField()
    made_by = models.CharField(max_length=120)
    revoked_at = models.DateTimeField(null=True)
    # Written at most once a minute.
    last_used_at = models.DateTimeField(null=True)

    class Meta(AbstractApplication.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(authorization_grant_type="client-credentials"),
                name="accounts_machineclient_grant",
            ),
            models.CheckConstraint(
                condition=Q(client_secret=NO_SECRET, hash_client_secret=False),
                name="accounts_machineclient_no_secret",
            ),
            models.UniqueConstraint(
                fields=["operator", "name"],
                condition=Q(revoked_at=None),
                name="accounts_machineclient_name",
            ),
            models.UniqueConstraint(fields=["operator", "id"], name="accounts_machineclient_operator_id"),
        ]

    def __str__(self) -> str:
        return self.name


class ClientSecret(OperatorOwned):
    """A secret of a program, of which only the SHA-256 is kept. Two may be live at a time, so that one can take over.

    ``hint`` is its last four characters, by which a person tells two apart.
    """

    client = TenantForeignKey(MachineClient)
    digest = models.BinaryField(max_length=32, unique=True)
    hint = models.CharField(max_length=4)
    made_at = models.DateTimeField()
    made_by = models.CharField(max_length=120)
    ends_at = models.DateTimeField(null=True)
    last_used_at = models.DateTimeField(null=True)

    class Meta:
        indexes = [
            # The secrets of a client, the newest first.
            models.Index(fields=["operator", "client", "-made_at"], name="accounts_clientsecret_client")
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(ends_at=None) | Q(ends_at__gte=F("made_at")), name="accounts_clientsecret_ends"
            )
        ]


class ClientToken(OperatorOwned):
    """An access token that a program was given by one of its secrets; it ends with that secret. Only its SHA-256 is kept."""

    client = TenantForeignKey(MachineClient)
    secret = TenantForeignKey(ClientSecret)
    digest = models.BinaryField(max_length=32, unique=True)
    scopes = ArrayField(models.CharField(max_length=40), default=list)
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()

    class Meta:
        indexes = [
            # What has expired is deleted when the next is given; what a secret gave, when that ends.
            models.Index(fields=["operator", "client", "expires_at"], name="accounts_clienttoken_old"),
        ]


class ClientChange(OperatorOwned):
    """Who changed what of a program, and when; only ever added to.

    ``about`` holds what the change was: the scopes, a secret's hint, when it ends.
    """

    client = TenantForeignKey(MachineClient)
    number = models.PositiveIntegerField()
    at = models.DateTimeField()
    by = models.CharField(max_length=120)
    by_id = models.UUIDField(null=True)
    what = models.CharField(
        max_length=20,
        choices=choices("made", "changed", "secret_made", "secret_ends", "secret_ended", "revoked"),
    )
    about = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "client", "number"], name="accounts_clientchange_number"
            )
        ]
