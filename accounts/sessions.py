"""Where sessions are kept: in the database, each under the digest of its key, so that no copy of the table signs anybody in."""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import CreateError, UpdateError
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessions
from django.db import IntegrityError, connections, transaction

from accounts import clock, origin
from accounts.models import SignIn
from accounts.permissions import Lifetime, Role
from accounts.rules.lifetimes import BEFORE_SIGN_IN, ends_at, shortest

_DIGITS = 40  # of a SHA-256 in hexadecimal, as long as the column: 160 bits


def digest_of(key: str) -> str:
    """What a session's key is kept as."""
    return hashlib.sha256(key.encode()).hexdigest()[:_DIGITS]


class SessionStore(DatabaseSessions):
    """Django's, but for what stands in the row, and for how long it holds: as long as the roles of its person allow."""

    def __init__(self, session_key: str | None = None) -> None:
        super().__init__(session_key)
        # As it was read or written last; None for none.
        self.row: SignIn | None = None

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        return SignIn

    def _get_session_from_db(self) -> SignIn | None:
        key = self.session_key
        found = SignIn.objects.filter(session_key=digest_of(key)).first() if key else None
        if found is None or found.expire_date <= clock.now():
            self.row = self._session_key = None
            return None
        self.row = found
        return found

    def exists(self, session_key: str) -> bool:
        return SignIn.objects.filter(session_key=digest_of(session_key)).exists()

    def create_model_instance(self, data: dict[str, Any]) -> SignIn:
        now, came = clock.now(), origin.current()
        user_id = UUID(data[SESSION_KEY]) if SESSION_KEY in data else None
        before = self.row
        started_at = before.started_at if before else now
        return SignIn(
            session_key=digest_of(self._get_or_create_session_key()),  # type: ignore[attr-defined]
            session_data=self.encode(data),
            expire_date=self.ends_at(user_id, started_at, now),
            user_id=user_id,
            started_at=started_at,
            seen_at=now,
            address=before.address if before else came.address,
            agent=before.agent if before else came.agent,
        )

    def ends_at(self, user_id: UUID | None, started_at: datetime, seen_at: datetime) -> datetime:
        """When it is over unless it is used again."""
        if user_id is None:
            return seen_at + BEFORE_SIGN_IN
        return ends_at(_lifetime_of(user_id), started_at, seen_at)

    def get_expiry_age(self, **_of: Any) -> int:
        """How many seconds the cookie lasts: as long as the session may, used or not."""
        most = BEFORE_SIGN_IN
        if SESSION_KEY in self:
            most = _lifetime_of(UUID(self[SESSION_KEY])).most
        started_at = self.row.started_at if self.row else clock.now()
        return max(0, int((started_at + most - clock.now()).total_seconds()))

    def save(self, must_create: bool = False) -> None:  # noqa: FBT001, FBT002 - Django's
        if self.session_key is None:
            return self.create()
        row = self.create_model_instance(self._get_session(no_load=must_create))  # type: ignore[attr-defined]
        if must_create:
            _made(row)
        else:
            changed = SignIn.objects.filter(session_key=row.session_key).update(
                session_data=row.session_data,
                expire_date=row.expire_date,
                user_id=row.user_id,
                seen_at=row.seen_at,
            )
            if not changed:
                raise UpdateError
        self.row = row
        return None

    def cycle_key(self) -> None:
        """Another key for the same session; but who signs in begins one, and is not held to when the browser first came."""
        if SESSION_KEY not in self:
            self.row = None
        super().cycle_key()

    def flush(self) -> None:
        super().flush()
        self.row = None

    def delete(self, session_key: str | None = None) -> None:
        key = session_key or self.session_key
        if key is not None:
            SignIn.objects.filter(session_key=digest_of(key)).delete()


def _made(row: SignIn) -> None:
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as taken:
        raise CreateError from taken


def _lifetime_of(user_id: UUID) -> Lifetime:
    """By what a person is now, in all their operators; asked before one of them is known.

    Who is of the service sits at a desk, whatever else they are.
    """
    with connections["default"].cursor() as cursor:
        cursor.execute(
            "SELECT role FROM accounts_memberships(%s) UNION SELECT %s FROM accounts_user WHERE id = %s AND is_support",
            [user_id, Role.OWNER, user_id],
        )
        return shortest(Role(role) for (role,) in cursor.fetchall())
