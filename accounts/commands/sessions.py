"""Sessions and known browsers of a person: used, ended and forgotten. Global: people belong to no operator."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from uuid import UUID

from accounts import auditing, clock, origin, queries
from accounts.errors import NotFound
from accounts.languages import _
from accounts.models import KnownDevice, SignIn
from accounts.queries.sessions import cookie_of, device_digest, words_of
from accounts.sessions import SessionStore, digest_of

USE_NOTED_EVERY = timedelta(minutes=1)
MOST_DEVICES = 10
_WORD_BYTES = 32


def note_use(session: SessionStore) -> None:
    """That a session is in use, at most once a minute; by that it holds for longer, up to its person's absolute life."""
    now = clock.now()
    row = session.row
    if row is None or row.user_id is None or now - row.seen_at < USE_NOTED_EVERY:
        return
    SignIn.objects.filter(session_key=row.session_key).update(
        seen_at=now, expire_date=session.ends_at(row.user_id, row.started_at, now)
    )


def end_sessions(user_id: UUID, *, but: str = "") -> int:
    """End a person's sessions, but the one of this key; gives how many. Inside a transaction it is a part of that."""
    sessions = SignIn.objects.filter(user_id=user_id)
    if but:
        sessions = sessions.exclude(session_key=digest_of(but))
    return sessions.delete()[0]


def forget_devices(user_id: UUID) -> None:
    """From now on no browser is known for this person."""
    KnownDevice.objects.filter(user_id=user_id).delete()


# What people do themselves, each noted for the operators they work for.


def end_session(user_id: UUID, *, session: str) -> None:
    """End one of a person's sessions, by the digest it is kept under. NotFound for one that is over, or another's."""
    if not SignIn.objects.filter(user_id=user_id, session_key=session).delete()[0]:
        raise NotFound(_("This session is over already."))
    auditing.note_of_person(user_id=user_id, action="sessions_ended", count=1)


def end_others(user_id: UUID, *, but: str) -> int:
    """End all of a person's sessions but the one of this key; gives how many."""
    ended = end_sessions(user_id, but=but)
    auditing.note_of_person(user_id=user_id, action="sessions_ended", count=ended)
    return ended


def sign_out_everywhere(user_id: UUID, *, by_person: bool = True) -> int:
    """End all of a person's sessions, and know none of their browsers any more; gives how many sessions ended."""
    forget_devices(user_id)
    ended = end_sessions(user_id)
    auditing.note_of_person(user_id=user_id, action="sessions_ended", by_person=by_person, count=ended)
    return ended


def forget_device(user_id: UUID, *, device_id: UUID) -> None:
    """One known browser less. NotFound for one that is forgotten, or another's."""
    if not KnownDevice.objects.filter(user_id=user_id, id=device_id).delete()[0]:
        raise NotFound(_("This browser is forgotten already."))
    auditing.note_of_person(user_id=user_id, action="browser_forgotten")


# What whoever runs the service does.


def end_by_email(email: str) -> int:
    """Sign somebody out everywhere, by their e-mail address. NotFound for an address nobody has."""
    person = queries.get_user_by_email(email.strip().lower())
    if person is None:
        raise NotFound(_("Nobody signs in with this e-mail address."))
    return sign_out_everywhere(person.id, by_person=False)


def end_of_everybody() -> int:
    """Sign all people out everywhere; gives how many sessions ended."""
    KnownDevice.objects.all().delete()
    people = set(SignIn.objects.exclude(user=None).values_list("user_id", flat=True))
    ended = SignIn.objects.all().delete()[0]
    for user_id in people:
        auditing.note_of_person(user_id=user_id, action="sessions_ended", by_person=False)
    return ended


# Browsers


def know_device(user_id: UUID, *, cookie: str) -> str:
    """Note the browser of this device cookie as one that the person signs in by; gives the cookie it is to keep.

    A browser that was known stays the same. The browsers of a person that were not seen for longest are forgotten.
    """
    now, agent = clock.now(), origin.current().agent
    words = words_of(cookie)
    for word in words:
        known = KnownDevice.objects.filter(user_id=user_id, digest=device_digest(word))
        if known.update(seen_at=now, agent=agent):
            return cookie_of([word, *(other for other in words if other != word)])
    word = secrets.token_urlsafe(_WORD_BYTES)
    KnownDevice.objects.create(
        user_id=user_id, digest=device_digest(word), made_at=now, seen_at=now, agent=agent
    )
    last_seen = KnownDevice.objects.filter(user_id=user_id).order_by("-seen_at", "-id")
    KnownDevice.objects.filter(id__in=last_seen.values_list("id", flat=True)[MOST_DEVICES:]).delete()
    return cookie_of([word, *words])


def forget_ended(now: datetime, *, unseen_since: datetime) -> int:
    """Delete the sessions that are over, and the browsers not seen since an instant; gives how many."""
    ended = SignIn.objects.filter(expire_date__lte=now).delete()[0]
    return ended + KnownDevice.objects.filter(seen_at__lt=unseen_since).delete()[0]
