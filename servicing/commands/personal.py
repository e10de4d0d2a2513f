"""What people say, kept apart from the log: filed encrypted under a key of each person, and erased with that key."""

from __future__ import annotations

import os
from uuid import UUID

import orjson

from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from servicing.models import PersonalText, PersonKey
from servicing.queries import personal
from servicing.queries.personal import KnownText
from servicing.rules.ciphers import KEY_BYTES, NONCE_BYTES, blob_hash, encrypt

MOST_SAID = 500
MOST_WHO = 120

ERASED = N_("This person's texts were erased, and nothing more is kept of them. Nothing was stored.")


def file_text(
    *,
    actor: Actor,
    who: str,
    said: str,
    person_id: UUID | None = None,
    id: UUID | None = None,  # noqa: A002
) -> KnownText:
    """Keep who said something and what, encrypted; the report's event then names the text's id and hash.

    Without ``person_id`` it is somebody new. The same again with the same ``id`` keeps nothing more. Conflict for an id
    with other words, and for a person whose texts were erased.
    """
    require(actor, Permission.EVENTS_RECORD)
    who, said = who.strip(), said.strip()
    _refuse_wrong(who, said)
    now = clock.now()
    text_id = id or uuid7(now)
    with tenancy.writing(actor):
        stored = PersonalText.objects.filter(text_id=text_id).first()
        if stored is None:
            key_row = _key_of(person_id or uuid7(now))
            key = personal.unwrapped(key_row)
            if key is None:
                raise Conflict(_(ERASED))
            plain = orjson.dumps({"who": who, "said": said})
            blob = encrypt(key, os.urandom(NONCE_BYTES), actor.operator_id, text_id, plain)
            made = PersonalText(
                text_id=text_id,
                person_id=key_row.person_id,
                ciphertext=blob,
                hash=blob_hash(blob),
                filed_at=now,
            )
            PersonalText.objects.bulk_create([made], ignore_conflicts=True)
        text = personal.get_text(text_id)
    _refuse_other(text, who, said, person_id)
    return text


def _refuse_wrong(who: str, said: str) -> None:
    problems = [
        Problem(
            f"/{name}",
            "too-long",
            _("Write at most {most} characters; these were {count}.", most=most, count=len(value)),
        )
        for name, value, most in (("who", who, MOST_WHO), ("said", said, MOST_SAID))
        if len(value) > most
    ]
    if not who and not said:
        problems.append(Problem("/said", "missing", _("Say who it was, or what they said.")))
    if problems:
        raise BadInput(_("This text can't be kept as it is; nothing was stored."), errors=problems)


def _refuse_other(text: KnownText, who: str, said: str, person_id: UUID | None) -> None:
    if text.state == "erased":
        raise Conflict(_(ERASED))
    is_same = (text.who, text.said) == (who, said) and person_id in {None, text.person_id}
    if not is_same:
        raise Conflict(_("A text with this id and other words is kept already; that one stays."))


def _key_of(person_id: UUID) -> PersonKey:
    """The person's row, locked so that no erasure comes between; made with a fresh key for somebody new."""
    row = PersonKey(
        person_id=person_id,
        wrapped_key=_wrapped(person_id, os.urandom(KEY_BYTES)),
        made_at=clock.now(),
    )
    PersonKey.objects.bulk_create([row], ignore_conflicts=True)
    stored: PersonKey = PersonKey.objects.select_for_update().get(person_id=person_id)
    return stored


def _wrapped(person_id: UUID, key: bytes) -> bytes:
    master = personal.masters()[0]
    return encrypt(master, os.urandom(NONCE_BYTES), tenancy.current_operator_id(), person_id, key)


def erase_person(*, actor: Actor, person_id: UUID) -> int:
    """Destroy a person's key and delete what it encrypted, for good; the events, ids and hashes stay. Gives how many.

    Doing it again erases nothing more. NotFound for a person whom no text and no key names here.
    """
    require(actor, Permission.TEXTS_ERASE)
    now = clock.now()
    with tenancy.writing(actor):
        keys = PersonKey.objects.filter(person_id=person_id)
        theirs = PersonalText.objects.filter(person_id=person_id)
        is_known = keys.select_for_update().exists() or theirs.exists()
        if not is_known:
            raise NotFound(_("Nobody with this id is named in a report here."))
        keys.filter(destroyed_at=None).update(wrapped_key=None, destroyed_at=now)
        return int(theirs.filter(erased_at=None).update(ciphertext=None, erased_at=now))


def rewrap_keys(*, actor: Actor) -> int:
    """Wrap every person's key by the present master key, so that the one before can go. Gives how many.

    BadInput, and nothing changed, when a key opens with none of the master keys that are set.
    """
    require(actor, Permission.TEXTS_ERASE)
    with tenancy.writing(actor):
        rows = list(PersonKey.objects.select_for_update().filter(destroyed_at=None).order_by("person_id"))
        keys = {row.person_id: personal.unwrapped(row) for row in rows}
        lost = [str(person_id) for person_id, key in keys.items() if key is None]
        if lost:
            raise BadInput(
                _(
                    "{lost} of {all} keys open neither with WICKROUND_TEXT_KEY nor with WICKROUND_TEXT_KEY_BEFORE, so "
                    "nothing was changed. Set the key they were wrapped by.",
                    lost=len(lost),
                    all=len(rows),
                )
            )
        for row in rows:
            key = keys[row.person_id]
            assert key is not None, "the others were refused"
            PersonKey.objects.filter(person_id=row.person_id).update(wrapped_key=_wrapped(row.person_id, key))
    return len(rows)
