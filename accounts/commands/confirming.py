"""A signed-in person shows again who they are: at a desk where somebody else may sit by now."""

from __future__ import annotations

from uuid import UUID

from django.contrib.auth.hashers import check_password
from django.contrib.sessions.backends.base import SessionBase

from accounts import clock
from accounts.models import User
from accounts.queries.confirming import KEPT_AS


def confirm(*, user_id: UUID, session: SessionBase, password: str) -> bool:
    """Whether the password is theirs; if so the session says when, and goes on under a new key."""
    person = User.objects.get(id=user_id)
    if not check_password(password, person.password):
        return False
    session[KEPT_AS] = clock.now().isoformat()
    session.cycle_key()
    return True
