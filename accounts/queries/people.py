"""Operators, who works for them, and what a credential stands for. Inside an operator's scope, unless said otherwise."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections
from django.db.models import QuerySet

from accounts.models import (
    Crew,
    Device,
    Member,
    Operator,
    User,
)
from accounts.permissions import Role, home_of
from accounts.queries.by_id import row_by_id
from accounts.tenancy import across_operators, current_operator_id


@dataclass(frozen=True, slots=True)
class Membership:
    operator_id: UUID
    slug: str
    operator_name: str
    member_id: UUID
    member_name: str
    role: Role
    crew_id: UUID | None
    locale: str

    @property
    def home(self) -> str:
        return home_of(self.role)


@dataclass(frozen=True, slots=True)
class TokenBinding:
    operator_id: UUID
    token_id: UUID
    device_id: UUID
    crew_id: UUID | None
    role: Role
    label: str
    expires_at: datetime | None
    revoked_at: datetime | None


def memberships_of(user_id: UUID) -> list[Membership]:
    """The operators a person may act for, by name. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_memberships(%s)", [user_id])
        return [Membership(*(*row[:5], Role(row[5]), *row[6:])) for row in cursor.fetchall()]


def token_binding(digest: bytes) -> TokenBinding | None:
    """What the SHA-256 of a phone's token stands for, or None. Needs no scope: asked before one is known."""
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_token_binding(%s)", [digest])
        row = cursor.fetchone()
    return TokenBinding(*(*row[:4], Role(row[4]), *row[5:])) if row else None


def operator_ids(slug: str = "") -> list[UUID]:
    """Every operator's id, or that of one, as the system role. For the rebuild and the checks."""
    with across_operators():
        operators = Operator.objects.using("system").order_by("slug")
        return list((operators.filter(slug=slug) if slug else operators).values_list("id", flat=True))


def get_operator() -> Operator:
    return Operator.objects.get(id=current_operator_id())


def get_crew(crew_id: UUID) -> Crew:
    return row_by_id(Crew, crew_id, "crew")


def get_member(member_id: UUID) -> Member:
    return row_by_id(Member, member_id, "member")


def get_device(device_id: UUID) -> Device:
    return row_by_id(Device, device_id, "device")


def get_user(user_id: UUID) -> User:
    """Global: people belong to no operator."""
    return User.objects.get(id=user_id)


def get_user_by_email(email: str) -> User | None:
    """Global: people belong to no operator."""
    return User.objects.filter(email=email.strip().lower()).first()


def is_of_program(device_id: UUID) -> bool:
    """Whether a program registered this phone, and so knows its token."""
    return Device.objects.filter(id=device_id, by_program=True).exists()


def office_device_id() -> UUID:
    return Device.objects.values_list("id", flat=True).get(kind="office")


def crews() -> QuerySet[Crew]:
    return Crew.objects.order_by("name")


def members() -> QuerySet[Member]:
    return Member.objects.select_related("user").order_by("name")


def devices() -> QuerySet[Device]:
    return Device.objects.order_by("label")


def known_member_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Member.objects.filter(id__in=ids).values_list("id", flat=True))


def known_crew_ids(ids: Collection[UUID]) -> set[UUID]:
    return set(Crew.objects.filter(id__in=ids).values_list("id", flat=True))
