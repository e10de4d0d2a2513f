"""Passwords of people: what one may be, and how it is set, changed and asked for."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.password_validation import CommonPasswordValidator
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.core.exceptions import ValidationError
from django.utils.functional import SimpleLazyObject

from accounts import auditing, clock, queries
from accounts.commands import telling, throttling
from accounts.commands.sessions import end_sessions, forget_devices
from accounts.errors import BadInput, NotFound, Problem
from accounts.languages import N_, _
from accounts.models import User
from accounts.permissions import Actor, Permission, require
from accounts.rules.passwords import LEAST, MOST, Weakness, weaknesses

log = logging.getLogger("wickround.security")

NO_PASSWORD = "!"  # noqa: S105 - Django's mark of a password that nothing matches
LINK_OVER = N_(
    "This link is over: it was used, you signed in since, or it is older than an hour. Ask for a new one; nothing was changed."
)

_WHY_NOT: dict[Weakness, str] = {
    Weakness.SHORT: N_("This password is too short: use at least {least} characters, such as a few words."),
    Weakness.LONG: N_("This password is too long: use at most {most} characters."),
    Weakness.COMMON: N_(
        "This password is too common: many people use it or one like it, so it is tried first."
    ),
    Weakness.KNOWN_WORDS: N_(
        "This password is made of what others know: your name or e-mail address, your operator or this program. Add words of "
        "your own."
    ),
    Weakness.MONOTONE: N_(
        "This password is too even: keys in a row and repeated characters are tried first. Use a few words."
    ),
}
# Django's list of some 20,000 passwords, read when the first password is chosen.
_common = SimpleLazyObject(lambda: CommonPasswordValidator().passwords)


def refuse_weak(password: str, *, person: User, operators: Iterable[str] = ()) -> None:
    """BadInput for a password that is tried first. ``operators``: names of those the person is not a member of yet."""
    members_of = queries.memberships_of(person.id)
    words = [person.email, person.name, *operators]
    words += [word for one in members_of for word in (one.operator_name, one.slug, one.member_name)]
    found = weaknesses(password, words=words, common=_common)
    if found:
        said = [Problem("/password", why, _(_WHY_NOT[why], least=LEAST, most=MOST)) for why in found]
        raise BadInput(_("Choose another password."), errors=said)


def keep(person: User, password: str, *, operators: Iterable[str] = ()) -> None:
    """Make this the person's password, in the open transaction. BadInput for a weak one."""
    refuse_weak(password, person=person, operators=operators)
    person.password, person.password_set_at = make_password(password), clock.now()
    person.save(update_fields=["password", "password_set_at"])


def require_own(*, user_id: UUID, password: str, pointer: str = "/password") -> User:
    """The person whose password this is, for who is signed in as them. BadInput for a wrong one, TooMany after several."""
    tries = throttling.tally("confirm", user_id)
    throttling.may_try(tries)
    person = User.objects.get(id=user_id)
    if not check_password(password, person.password):
        log.warning("password_asked_again_wrong user=%s", user_id)
        wrong = _("This is not your password. Nothing was done yet.")
        raise BadInput(wrong, errors=[Problem(pointer, "wrong", wrong)])
    throttling.was_right(tries)
    return person


def change_password(
    *, actor: Actor, user_id: UUID, current: str, password: str, session_key: str = ""
) -> User:
    """Another password for who knows the present one. Their other sessions end, and they are told by mail."""
    require(actor, Permission.OWN_SETTINGS)
    require_own(user_id=user_id, password=current, pointer="/current")
    with telling.telling(user_id, "password_changed"):
        person = User.objects.select_for_update().get(id=user_id)
        keep(person, password)
        end_sessions(user_id, but=session_key)
    auditing.note_of_person(user_id=user_id, action="password_changed")
    return person


def set_password(*, email: str, password: str) -> User:
    """Another password for a person, by whoever runs the service. They are signed out everywhere and told by mail.

    NotFound for nobody, BadInput for a weak password.
    """
    person = queries.get_user_by_email(email)
    if person is None:
        raise NotFound(_("Nobody here signs in with {email}.", email=email))
    with telling.telling(person.id, "password_set"):
        _replace(User.objects.select_for_update().get(id=person.id), password)
    auditing.note_of_person(user_id=person.id, action="password_set", by_person=False)
    return person


def reset_password(*, user_id: UUID, token: str, password: str) -> None:
    """A new password by the token of a mailed link, which is worth nothing afterwards.

    NotFound for a token that is over, BadInput for a weak password. Nobody is signed in by it.
    """
    with telling.telling(user_id, "password_reset"):
        # Two openings of one link at once: the second finds another password than the one that its token was made for.
        person = User.objects.select_for_update().filter(id=user_id).first()
        if person is None or not is_good_token(person, token):
            raise NotFound(_(LINK_OVER))
        _replace(person, password)
    auditing.note_of_person(user_id=user_id, action="password_reset")


def is_good_token(person: User, token: str) -> bool:
    """Whether the token was made for this person as they are: no other password since, no sign-in, no hour gone by."""
    return person.is_active and person.password != NO_PASSWORD and tokens.check_token(person, token)


class _Tokens(PasswordResetTokenGenerator):
    """Django's: a signature over the person, their password's hash, when they last signed in, and the time, by our clock."""

    key_salt = "accounts.new-password"

    def _now(self) -> datetime:
        return clock.now().replace(tzinfo=None)


tokens = _Tokens()


def _replace(person: User, password: str) -> None:
    """A password in the place of one that is lost: nobody stays signed in, and no browser is known any more."""
    keep(person, password)
    end_sessions(person.id)
    forget_devices(person.id)


class NotWeak:
    """The same rules for Django's own command ``changepassword``."""

    def validate(self, password: str, user: User | None = None) -> None:
        try:
            refuse_weak(password, person=user or User())
        except BadInput as weak:
            raise ValidationError([one.detail for one in weak.errors], code="weak") from None

    def get_help_text(self) -> str:
        return _("At least {least} characters; a few words are easy to remember.", least=LEAST)
