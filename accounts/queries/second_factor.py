"""Who has a second factor, and who needs one. Needs no scope: people belong to no operator."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib.sessions.backends.base import SessionBase

from accounts.models import RecoveryCode, SecondFactor, User
from accounts.permissions import NEEDS_SECOND_FACTOR, Actor
from accounts.queries.people import memberships_of

# In the session of who gave a second factor: when.
PROVEN = "second_factor_at"


def has_second_factor(user_id: UUID) -> bool:
    return SecondFactor.objects.filter(user_id=user_id).exclude(confirmed_at=None).exists()


def second_factor_of(user_id: UUID) -> SecondFactor | None:
    return SecondFactor.objects.filter(user_id=user_id).exclude(confirmed_at=None).first()


def needs_second_factor(user: User) -> bool:
    """Owners and bookkeepers of any operator, unless this installation only offers it; people of the service always."""
    if user.is_support:
        return True
    return settings.SECOND_FACTOR_NEEDED and any(
        one.role in NEEDS_SECOND_FACTOR for one in memberships_of(user.id)
    )


def is_missing(role: str, session: SessionBase) -> bool:
    """Whether a role needs a second factor that was not given in this session, however the session or the role came about."""
    return settings.SECOND_FACTOR_NEEDED and role in NEEDS_SECOND_FACTOR and PROVEN not in session


def is_ours_alone(actor: Actor, person: User) -> bool:
    """Whether nobody but this operator lets the person in."""
    operators = [one.operator_id for one in memberships_of(person.id)]
    return not person.is_support and operators == [actor.operator_id]


def recovery_codes_left(user_id: UUID) -> int:
    return RecoveryCode.objects.filter(user_id=user_id, used_at=None).count()
