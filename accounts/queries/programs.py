"""The programs of an operator, and what their credentials stand for. Inside an operator's scope, unless said otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections
from django.db.models import F, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from accounts.models import ClientChange, ClientSecret, MachineClient
from accounts.tenancy import current_operator_id


@dataclass(frozen=True, slots=True)
class ProvableSecret:
    """One secret of a client, and when either ended or will."""

    operator_id: UUID
    client_id: int
    revoked_at: datetime | None
    secret_id: UUID
    digest: bytes
    ends_at: datetime | None
    last_used_at: datetime | None

    def is_live(self, now: datetime) -> bool:
        return self.revoked_at is None and (self.ends_at is None or now < self.ends_at)


@dataclass(frozen=True, slots=True)
class ClientTokenBinding:
    """What a program's token stands for; ``ended_at`` is when its client or the secret that got it ended or will."""

    operator_id: UUID
    client_id: int
    client_uuid: UUID
    name: str
    client_scopes: Sequence[str]
    scopes: Sequence[str]
    expires_at: datetime
    ended_at: datetime | None
    last_used_at: datetime | None

    def is_live(self, now: datetime) -> bool:
        return now < self.expires_at and (self.ended_at is None or now < self.ended_at)


def client_secrets(public_id: str) -> list[ProvableSecret]:
    """All secrets of the client of an OAuth ``client_id``. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_client_secrets(%s)", [public_id])
        return [ProvableSecret(*(*row[:4], bytes(row[4]), *row[5:])) for row in cursor.fetchall()]


def client_token_binding(digest: bytes) -> ClientTokenBinding | None:
    """What the SHA-256 of a program's token stands for, or None. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_client_token_binding(%s)", [digest])
        row = cursor.fetchone()
    return ClientTokenBinding(*row) if row else None


def machine_client(client_id: int) -> MachineClient:
    """Needs no scope: the client that has just proved who it is."""
    return MachineClient.objects.get(id=client_id)


def programs() -> QuerySet[MachineClient]:
    """The operator's programs: those at work first, each by name."""
    rows = MachineClient.objects.filter(operator_id=current_operator_id())
    return rows.order_by(F("revoked_at").desc(nulls_first=True), "name", "id")


def program(client_uuid: UUID) -> MachineClient:
    found = programs().filter(uuid=client_uuid).first()
    if found is None:
        raise NotFound(_("There is no program here with this id."))
    return found


def secrets_of(client: MachineClient) -> QuerySet[ClientSecret]:
    """A program's secrets, the newest first, with those that have ended."""
    return ClientSecret.objects.filter(client=client).order_by("-made_at", "-id")


def changes_of(client: MachineClient) -> QuerySet[ClientChange]:
    """What was changed of a program, the newest first."""
    return ClientChange.objects.filter(client=client).order_by("-number")
