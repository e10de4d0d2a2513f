"""A person's second factor: set up, given at the sign-in, its recovery codes made anew, removed, or reset when it is lost.

A secret that was not confirmed by a first code yet is in no row: the page holds it, sealed, in the session.
"""

from __future__ import annotations

import base64
import binascii
import logging
import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from accounts import auditing, clock, queries, tenancy
from accounts.commands import telling, throttling
from accounts.commands.sessions import end_sessions, forget_devices
from accounts.errors import BadInput, Conflict, Gone, NotFound, Problem
from accounts.languages import _
from accounts.models import RecoveryCode, SecondFactor, Tally, User
from accounts.permissions import Actor, Permission, require
from accounts.queries.sealing import seal_anew, seal_bytes, unseal_bytes
from accounts.queries.second_factor import (
    has_second_factor,
    is_ours_alone,
    needs_second_factor,
    recovery_codes_left,
)
from accounts.rules import second_factor as rules

log = logging.getLogger("wickround.security")

PURPOSE, PURPOSE_OF_CODES = "second factor", "recovery codes"
_TELL_AFTER = 5


@dataclass(frozen=True, slots=True)
class Given:
    """A second factor was given: by a recovery code, or by the authenticator; and how many recovery codes are left."""

    by_recovery_code: bool
    codes_left: int


def new_secret(user_id: UUID) -> str:
    """A new secret, sealed for this person, as a session may hold it until it is confirmed."""
    return _for_a_session(PURPOSE, user_id, os.urandom(rules.SECRET_BYTES))


def secret_in(user_id: UUID, sealed: str) -> bytes:
    """What ``new_secret`` made for this person. Gone when it can't be read any more."""
    secret = _from_a_session(PURPOSE, user_id, sealed)
    if secret is None:
        raise Gone(_("This set-up is over. Begin it again; nothing was changed."))
    return secret


def sealed_codes(user_id: UUID, codes: Sequence[str]) -> str:
    """Recovery codes as a session may hold them until their person has them."""
    return _for_a_session(PURPOSE_OF_CODES, user_id, " ".join(codes).encode())


def codes_in(user_id: UUID, sealed: str) -> list[str] | None:
    """The codes of ``sealed_codes``; None when they can't be read any more."""
    plain = _from_a_session(PURPOSE_OF_CODES, user_id, sealed)
    return None if plain is None else plain.decode().split()


def _for_a_session(purpose: str, user_id: UUID, plain: bytes) -> str:
    return base64.b64encode(seal_bytes(purpose, user_id.bytes, plain)).decode()


def _from_a_session(purpose: str, user_id: UUID, sealed: str) -> bytes | None:
    try:
        return unseal_bytes(purpose, user_id.bytes, base64.b64decode(sealed, validate=True))
    except binascii.Error:
        return None


def set_up(
    *, user_id: UUID, sealed: str, typed: str, replaces: bool = False, session_key: str = ""
) -> list[str]:
    """Make a secret the person's second factor, confirmed by its first code; ``replaces``: in place of one they have.

    Gives their recovery codes, which are kept nowhere in readable form. Their other sessions end. BadInput for a wrong code,
    Conflict for a first one when there is one already.
    """
    secret = secret_in(user_id, sealed)
    step = rules.step_of(secret, typed, clock.machine().timestamp())
    if step is None:
        raise _wrong_code()
    with telling.telling(user_id, "second_factor_set_up"):
        # Two set-ups at once: one after the other.
        User.objects.select_for_update().get(id=user_id)
        if not replaces and has_second_factor(user_id):
            raise Conflict(_("A second factor was set up meanwhile. Sign in again with its code."))
        now = clock.now()
        SecondFactor.objects.update_or_create(
            user_id=user_id,
            defaults={
                "secret": seal_bytes(PURPOSE, user_id.bytes, secret),
                "made_at": now,
                "confirmed_at": now,
                "last_step": step,
            },
        )
        codes = _new_recovery_codes(user_id)
        end_sessions(user_id, but=session_key)
    auditing.note_of_person(user_id=user_id, action="second_factor_set_up")
    return codes


def _new_recovery_codes(user_id: UUID) -> list[str]:
    """In place of all that there were."""
    codes = [rules.new_recovery_code(secrets.choice) for _ in range(rules.RECOVERY_CODES)]
    RecoveryCode.objects.filter(user_id=user_id).delete()
    now = clock.now()
    RecoveryCode.objects.bulk_create(
        RecoveryCode(user_id=user_id, digest=rules.recovery_digest(code), made_at=now) for code in codes
    )
    return codes


def _wrong_code() -> BadInput:
    wrong = _(
        "This code is wrong or over. Type the one that your authenticator shows now; if it goes on, see whether the clock "
        "of that device is right."
    )
    return BadInput(wrong, errors=[Problem("/code", "wrong", wrong)])


def give(*, user_id: UUID, typed: str) -> Given:
    """Take the code of a person's authenticator, or one of their recovery codes; each serves once.

    BadInput for a wrong one, TooMany while codes of the authenticator have to wait: somebody tries them. Recovery codes are
    never kept waiting, as nobody guesses one.
    """
    if not rules.digits_of(typed):
        return _give_recovery_code(user_id, typed)
    tries = _tries_of(user_id)
    throttling.may_try(tries)
    factor = SecondFactor.objects.filter(user_id=user_id).exclude(confirmed_at=None).first()
    secret = unseal_bytes(PURPOSE, user_id.bytes, factor.secret) if factor else None
    if factor is not None and secret is None:
        log.error("second_factor_unreadable user=%s", user_id)
    step = rules.step_of(secret, typed, clock.machine().timestamp()) if secret else None
    if step is None:
        log.warning("second_factor_refused user=%s", user_id)
        _tell_of_tries(user_id, tries)
        raise _wrong_code()
    # Of two that give one code at once, one finds it taken.
    taken = SecondFactor.objects.filter(user_id=user_id, last_step__lt=step).update(last_step=step)
    if not taken:
        log.warning("second_factor_used_already user=%s", user_id)
        used = _("This code was used already. Wait for the next one; a code holds for 30 seconds.")
        raise BadInput(used, errors=[Problem("/code", "used", used)])
    throttling.was_right(tries)
    return Given(by_recovery_code=False, codes_left=recovery_codes_left(user_id))


def _tries_of(user_id: UUID) -> throttling.Tried:
    return throttling.tally("code", user_id)


def _tell_of_tries(user_id: UUID, tries: throttling.Tried) -> None:
    """After several wrong codes the person is told, once a day: who gives codes has given their password."""
    if Tally.objects.filter(key=tries.key, count__gte=_TELL_AFTER).exists():
        with telling.telling(user_id, "codes_guessed", key=f"{clock.now():%Y-%m-%d}"):
            pass


def _give_recovery_code(user_id: UUID, typed: str) -> Given:
    digest = rules.recovery_digest(typed)
    unused = RecoveryCode.objects.filter(user_id=user_id, digest=digest, used_at=None) if digest else None
    if unused is None or not unused.exists():
        log.warning("recovery_code_refused user=%s", user_id)
        raise _wrong_recovery_code()
    with telling.telling(user_id, "recovery_code_used"):
        # Raised inside, so that no mail is owed when another try was first.
        if not unused.update(used_at=clock.now()):
            raise _wrong_recovery_code()
    left = recovery_codes_left(user_id)
    auditing.note_of_person(user_id=user_id, action="recovery_code_used", left=left)
    return Given(by_recovery_code=True, codes_left=left)


def _wrong_recovery_code() -> BadInput:
    wrong = _("This is no recovery code of yours, or it was used already. Each serves once; try another one.")
    return BadInput(wrong, errors=[Problem("/recovery", "wrong", wrong)])


def renew_recovery_codes(*, user_id: UUID, session_key: str = "") -> list[str]:
    """Ten new recovery codes; those from before are worth nothing, and the person's other sessions end."""
    _refuse_without(user_id)
    with telling.telling(user_id, "recovery_codes_renewed"):
        User.objects.select_for_update().get(id=user_id)
        codes = _new_recovery_codes(user_id)
        end_sessions(user_id, but=session_key)
    auditing.note_of_person(user_id=user_id, action="recovery_codes_renewed")
    return codes


def remove(*, user_id: UUID, session_key: str = "") -> None:
    """The password alone signs in again. Conflict while one of the person's roles needs more."""
    _refuse_without(user_id)
    if needs_second_factor(User.objects.get(id=user_id)):
        raise Conflict(
            _(
                "Your role signs in with a second factor, so it stays. Set up another authenticator to replace this one."
            )
        )
    with telling.telling(user_id, "second_factor_removed"):
        _delete(user_id)
        end_sessions(user_id, but=session_key)
    auditing.note_of_person(user_id=user_id, action="second_factor_removed")


def _refuse_without(user_id: UUID) -> None:
    if not has_second_factor(user_id):
        raise NotFound(_("There is no second factor to change. Set one up first."))


def _delete(user_id: UUID) -> None:
    RecoveryCode.objects.filter(user_id=user_id).delete()
    SecondFactor.objects.filter(user_id=user_id).delete()


def reset_of_member(*, actor: Actor, member_id: UUID) -> None:
    """Take a lost second factor from a member who works for this operator alone; they set up a new one at their next sign-in.

    Conflict for oneself, and for whom no single operator may reset it. The member is told by mail and signed out everywhere.
    """
    require(actor, Permission.MEMBERS_MANAGE)
    with tenancy.writing(actor):
        member = queries.get_member(member_id)
        if member.id == actor.id:
            raise Conflict(
                _("Nobody resets their own second factor here. Use your own page, or ask another owner.")
            )
        if not member.is_active or not has_second_factor(member.user_id):
            raise Conflict(_("{name} has no second factor here that could be reset.", name=member.name))
        if not is_ours_alone(actor, queries.get_user(member.user_id)):
            # Not why: for whom else they work is their own business.
            raise Conflict(
                _(
                    "The second factor of {name} can't be reset by one operator. Whoever runs this installation can do "
                    "it; {name} has to ask them.",
                    name=member.name,
                )
            )
        _delete(member.user_id)
        end_sessions(member.user_id)
        forget_devices(member.user_id)
        telling.owe(member.user_id, "second_factor_reset")
        auditing.note(action="second_factor_reset", kind="member", row_id=member.id)


def reset(*, email: str) -> None:
    """Take a lost second factor from a person; for whoever runs the service. NotFound for nobody, Conflict without one."""
    person = queries.get_user_by_email(email)
    if person is None:
        raise NotFound(_("Nobody here signs in with {email}.", email=email))
    if not has_second_factor(person.id):
        raise Conflict(_("{email} has no second factor. Nothing was changed.", email=email))
    with telling.telling(person.id, "second_factor_reset"):
        _delete(person.id)
        end_sessions(person.id)
        forget_devices(person.id)
    auditing.note_of_person(user_id=person.id, action="second_factor_reset", by_person=False)


def seal_secrets_anew() -> int:
    """After a change of the environment's key: every secret sealed by the present one. Gives how many; Conflict for one lost."""
    done = 0
    for factor in SecondFactor.objects.order_by("user_id"):
        blob = seal_anew(PURPOSE, factor.user_id.bytes, factor.secret)
        if blob is None:
            raise Conflict(
                _(
                    "The second factor of {user_id} opens neither with WICKROUND_TEXT_KEY nor with "
                    "WICKROUND_TEXT_KEY_BEFORE. Give the key that sealed it, or reset it.",
                    user_id=factor.user_id,
                )
            )
        # One that was set up anew meanwhile is sealed by the present key already.
        done += SecondFactor.objects.filter(user_id=factor.user_id, made_at=factor.made_at).update(
            secret=blob
        )
    return done
