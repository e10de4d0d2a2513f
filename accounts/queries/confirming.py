"""When the person of a session last showed who they are. Needs no scope: sessions belong to no operator."""

from __future__ import annotations

from datetime import datetime

from django.contrib.sessions.backends.base import SessionBase

from accounts import clock
from accounts.models import SignIn
from accounts.rules.confirming import is_recent

KEPT_AS = "confirmed_at"


def shown_at(session: SessionBase) -> datetime | None:
    """When they last gave their password, at the latest when they signed in; None for a session that is over."""
    confirmed = session.get(KEPT_AS)
    if confirmed is not None:
        return datetime.fromisoformat(confirmed)
    row: SignIn | None = getattr(session, "row", None)
    return row.started_at if row else None


def has_confirmed(session: SessionBase, *, to_act: bool) -> bool:
    """Whether that is recent enough to open a page that asks for it, or to act on one."""
    at = shown_at(session)
    return at is not None and is_recent(at, clock.now(), to_act=to_act)
