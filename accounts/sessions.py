"""Where sessions are kept: in the database, each under the digest of its key, so that no copy of the table signs anybody in."""

from __future__ import annotations

import hashlib
from typing import Any

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import CreateError, UpdateError
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessions
from django.db import IntegrityError, transaction

from accounts import clock, origin
from accounts.models import SignIn

_DIGITS = 40  # of a SHA-256 in hexadecimal, as long as the column: 160 bits


def digest_of(key: str) -> str:
    """What a session's key is kept as."""
    return hashlib.sha256(key.encode()).hexdigest()[:_DIGITS]


class SessionStore(DatabaseSessions):
    """Django's, but for what stands in the row."""

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        return SignIn

    def _get_session_from_db(self) -> SignIn | None:
        key = self.session_key
        found = SignIn.objects.filter(session_key=digest_of(key)).first() if key else None
        if found is None or found.expire_date <= clock.now():
            self._session_key = None
            return None
        return found

    def exists(self, session_key: str) -> bool:
        return SignIn.objects.filter(session_key=digest_of(session_key)).exists()

    def create_model_instance(self, data: dict[str, Any]) -> SignIn:
        now = clock.now()
        return SignIn(
            session_key=digest_of(self._get_or_create_session_key()),  # type: ignore[attr-defined]
            session_data=self.encode(data),
            expire_date=self.get_expiry_date(modification=now),
            user_id=data.get(SESSION_KEY),
            started_at=now,
            seen_at=now,
            address=origin.current().address,
        )

    def save(self, must_create: bool = False) -> None:  # noqa: FBT001, FBT002 - Django's
        if self.session_key is None:
            return self.create()
        row = self.create_model_instance(self._get_session(no_load=must_create))  # type: ignore[attr-defined]
        if must_create:
            return _made(row)
        changed = SignIn.objects.filter(session_key=row.session_key).update(
            session_data=row.session_data,
            expire_date=row.expire_date,
            user_id=row.user_id,
            seen_at=row.seen_at,
        )
        if not changed:
            raise UpdateError
        return None

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
