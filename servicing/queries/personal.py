"""What people are quoted with in reports: read with their keys, as far as these are here."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from accounts.errors import NotFound
from accounts.languages import _
from accounts.tenancy import current_operator_id
from servicing import log
from servicing.events.reading import load_payload
from servicing.events.types import ReportReceived
from servicing.models import PersonalText, PersonKey
from servicing.rules.ciphers import decrypt, master_key


@dataclass(frozen=True, slots=True)
class KnownText:
    """One text. ``state``: readable, erased (``erased_at``), sealed (its key is not here) or absent (not here yet).

    ``who`` and ``said`` are empty unless it is readable; either may be empty then too.
    """

    text_id: UUID
    state: str
    person_id: UUID | None = None
    who: str = ""
    said: str = ""
    hash: str = ""
    filed_at: datetime | None = None
    erased_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody named in texts; ``erased_at`` when nothing of theirs can be read any more."""

    person_id: UUID
    who: str
    texts: list[KnownText]
    erased_at: datetime | None


def masters() -> list[bytes]:
    """The master keys that may have wrapped a person's key; the first one wraps new ones."""
    secrets = [settings.TEXT_KEY or settings.SECRET_KEY, settings.TEXT_KEY_BEFORE]
    if not secrets[0]:
        raise ImproperlyConfigured(
            "Set WICKROUND_TEXT_KEY to a random text of at least 32 characters: personal text can't be read without."
        )
    return [master_key(secret) for secret in secrets if secret]


def unwrapped(row: PersonKey) -> bytes | None:
    """A person's key; None once it is destroyed, or when none of the master keys opens it."""
    if row.wrapped_key is None:
        return None
    for master in masters():
        key = decrypt(master, bytes(row.wrapped_key), current_operator_id(), row.person_id)
        if key is not None:
            return key
    return None


def texts(text_ids: Collection[UUID]) -> dict[UUID, KnownText]:
    """These texts, one for every id: one that is not here, or another operator's, is absent."""
    if not text_ids:
        return {}
    known = {text.text_id: text for text in _known(list(PersonalText.objects.filter(text_id__in=text_ids)))}
    return {text_id: known.get(text_id) or KnownText(text_id, "absent") for text_id in text_ids}


def get_text(text_id: UUID) -> KnownText:
    """One text; NotFound when it is not here."""
    found = texts([text_id])[text_id]
    if found.state == "absent":
        raise NotFound(_("There is no text here with this id."))
    return found


def texts_of_reports(event_ids: Collection[UUID]) -> dict[UUID, KnownText]:
    """By the event of a report, the text that it names."""
    named: dict[UUID, UUID] = {}
    for row in log.events_by_id(event_ids):
        payload = load_payload(row.type, row.schema_version, row.payload)
        if isinstance(payload, ReportReceived) and payload.text_id is not None:
            named[row.event_id] = payload.text_id
    found = texts(set(named.values()))
    return {event_id: found[text_id] for event_id, text_id in named.items()}


def people() -> list[Person]:
    """Everybody named in a text, the newest first. Names are decrypted here and stand in no table."""
    by_person: dict[UUID, list[KnownText]] = {}
    for text in _known(list(PersonalText.objects.order_by("-filed_at", "text_id"))):
        by_person.setdefault(text.person_id, []).append(text)  # type: ignore[arg-type]
    return [_person(person_id, theirs) for person_id, theirs in by_person.items()]


def get_person(person_id: UUID) -> Person:
    """One of them; NotFound when no text names this person here."""
    rows = list(PersonalText.objects.filter(person_id=person_id).order_by("-filed_at", "text_id"))
    if not rows:
        raise NotFound(_("Nobody with this id is named in a report here."))
    return _person(person_id, _known(rows))


def _person(person_id: UUID, theirs: list[KnownText]) -> Person:
    erased = [text.erased_at for text in theirs if text.erased_at]
    return Person(
        person_id,
        next((text.who for text in theirs if text.who), ""),
        theirs,
        max(erased) if len(erased) == len(theirs) else None,
    )


def _known(rows: list[PersonalText]) -> list[KnownText]:
    ids = {row.person_id for row in rows if row.ciphertext is not None}
    keys = (
        {row.person_id: unwrapped(row) for row in PersonKey.objects.filter(person_id__in=ids)} if ids else {}
    )
    return [_read(row, keys.get(row.person_id)) for row in rows]


def _read(row: PersonalText, key: bytes | None) -> KnownText:
    told: dict[str, Any] = {}
    state = "erased" if row.erased_at else "sealed"
    if row.ciphertext is not None and key is not None:
        plain = decrypt(key, bytes(row.ciphertext), current_operator_id(), row.text_id)
        if plain is not None:
            state, told = "readable", orjson.loads(plain)
    return KnownText(
        text_id=row.text_id,
        state=state,
        person_id=row.person_id,
        hash=bytes(row.hash).hex(),
        filed_at=row.filed_at,
        erased_at=row.erased_at,
        **told,
    )
