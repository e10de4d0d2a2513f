"""Who of the service may look into which operators, who does so now, and whether an operator is to be closed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connections
from django.db.models import Q, QuerySet

from accounts import clock
from accounts.models import Closing, Member, SupportGrant
from accounts.permissions import Role, home_of
from accounts.queries.by_id import row_by_id


@dataclass(frozen=True, slots=True)
class Look:
    """What lets one person of the service look into one operator until ``ends_at``."""

    operator_id: UUID
    slug: str
    operator_name: str
    grant_id: UUID
    person_name: str
    reason: str
    granted_at: datetime
    ends_at: datetime
    locale: str

    @property
    def home(self) -> str:
        return home_of(Role.VIEWER)


def looks_of(user_id: UUID) -> list[Look]:
    """The operators a person of the service may look into at this moment, by name. Needs no scope: asked before one is known."""
    now = clock.now()
    with connections["default"].cursor() as cursor:
        cursor.execute("SELECT * FROM accounts_support_grants(%s)", [user_id])
        found = [Look(*row) for row in cursor.fetchall()]
    return [one for one in found if one.granted_at <= now < one.ends_at]


def support_grants() -> QuerySet[SupportGrant]:
    """Everybody who was ever let in here, the latest first, with the person and who let them in."""
    return SupportGrant.objects.select_related("user", "granted_by").order_by("-granted_at", "-id")


def live_grants() -> QuerySet[SupportGrant]:
    """Who may look now, the one who may longest last."""
    return support_grants().filter(ended_at=None, ends_at__gt=clock.now()).order_by("ends_at")


def get_support_grant(grant_id: UUID) -> SupportGrant:
    return row_by_id(SupportGrant, grant_id, "support")


def closing_asked() -> Closing | None:
    """That the operator is to be closed, unless nobody asked or it was withdrawn."""
    return Closing.objects.filter(withdrawn_at=None).select_related("asked_by").first()


def owners() -> QuerySet[Member]:
    """The operator's owners, with their addresses."""
    return Member.objects.filter(Q(role=Role.OWNER, is_active=True)).select_related("user").order_by("name")
