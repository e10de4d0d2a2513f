"""The programs that use the API for an operator: made, given secrets and scopes, and ended by an owner.

A program signs in at the token endpoint with its client id and a secret (OAuth 2.0 client credentials, RFC 6749
section 4.4) and gets a token for a quarter of an hour. Secrets and tokens are random, of 256 bits, so that a fast hash
is enough; only the hashes are kept.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import IntegrityError, connections
from django.db.models import Q

from accounts import clock, queries, tenancy
from accounts.commands.operators import token_digest
from accounts.errors import BadInput, Conflict, Forbidden, NotFound, Problem
from accounts.languages import _
from accounts.models import NO_SECRET, ClientChange, ClientSecret, ClientToken, MachineClient
from accounts.permissions import PROGRAM_SCOPES, Actor, ActorKind, Permission, require

SECRET, TOKEN = "ws_", "wp_"
TOKEN_SECONDS = 900
MOST_LIVE = 2
MOST_NAME = 80
# How long the secret before may still be used after the next is made, by the word the page's form sends.
OVERLAPS: dict[str, timedelta] = {
    "none": timedelta(0),
    "day": timedelta(hours=24),
    "week": timedelta(days=7),
}
USE_NOTED_EVERY = timedelta(minutes=1)
_NOTHING = bytes(32)


@dataclass(frozen=True, slots=True)
class Proven:
    """A client that has shown one of its live secrets."""

    client: MachineClient
    secret_id: UUID


def granted(words: Iterable[str]) -> frozenset[Permission]:
    """The permissions that scopes name; one that no program may have any more is left out."""
    return frozenset(scope for scope in PROGRAM_SCOPES if scope.value in set(words))


def make_client(*, actor: Actor, name: str, scopes: Iterable[str]) -> tuple[MachineClient, str]:
    """A program with its scopes, and its first secret, which is shown this once.

    BadInput without a name or a scope, or for a scope that no program may have; Conflict for a name that a program at
    work has.
    """
    _refuse_others(actor)
    client = MachineClient(
        operator_id=actor.operator_id,
        name=_name(name),
        scopes=_scopes(scopes),
        client_type=MachineClient.CLIENT_CONFIDENTIAL,
        authorization_grant_type=MachineClient.GRANT_CLIENT_CREDENTIALS,
        client_secret=NO_SECRET,
        hash_client_secret=False,
        made_at=clock.now(),
        made_by=_who(actor),
    )
    try:
        with tenancy.writing(actor):
            client.save(force_insert=True)
            _note(actor, client, "made", name=client.name, scopes=client.scopes)
            return client, _new_secret(actor, client)
    except IntegrityError as clash:
        raise _taken(client.name) from clash


def change_client(*, actor: Actor, client_uuid: UUID, name: str, scopes: Iterable[str]) -> MachineClient:
    """Another name or other scopes. A scope taken away is gone from the tokens given before, at their next request."""
    _refuse_others(actor)
    name, chosen = _name(name), _scopes(scopes)
    try:
        with tenancy.writing(actor):
            client = _at_work(client_uuid)
            if (client.name, client.scopes) != (name, chosen):
                client.name, client.scopes = name, chosen
                client.save(update_fields=["name", "scopes"])
                _note(actor, client, "changed", name=name, scopes=chosen)
            return client
    except IntegrityError as clash:
        raise _taken(name) from clash


def make_secret(*, actor: Actor, client_uuid: UUID, overlap: str) -> tuple[MachineClient, str]:
    """One more secret, shown this once; the one before ends after ``overlap``, a key of ``OVERLAPS``.

    Conflict while two are live already and would stay so.
    """
    _refuse_others(actor)
    if overlap not in OVERLAPS:
        unknown = _("Choose when the secret before ends.")
        raise BadInput(unknown, errors=[Problem("/overlap", "unknown", unknown)])
    with tenancy.writing(actor):
        client, now = _at_work(client_uuid), clock.now()
        live = [one for one in queries.secrets_of(client) if one.ends_at is None or now < one.ends_at]
        if OVERLAPS[overlap] and len(live) >= MOST_LIVE:
            two = _("Two secrets are live already. End one of them first, or let both end at once.")
            raise Conflict(two, errors=[Problem("/overlap", "two-live", two)])
        for one in live:
            _end(actor, client, one, now + OVERLAPS[overlap])
        return client, _new_secret(actor, client)


def end_secret(*, actor: Actor, client_uuid: UUID, secret_id: UUID) -> None:
    """A secret that is worth nothing from now on, nor are the tokens it got. Ending it again changes nothing."""
    _refuse_others(actor)
    with tenancy.writing(actor):
        client = _at_work(client_uuid)
        secret = ClientSecret.objects.filter(client=client, id=secret_id).first()
        if secret is None:
            raise NotFound(_("This program has no such secret."))
        _end(actor, client, secret, clock.now())


def revoke_client(*, actor: Actor, client_uuid: UUID) -> None:
    """A program that is let in no more: its secrets and tokens end with the next request. What it did stays."""
    _refuse_others(actor)
    with tenancy.writing(actor):
        client = _locked(client_uuid)
        if client.revoked_at is None:
            client.revoked_at = clock.now()
            client.save(update_fields=["revoked_at"])
            ClientToken.objects.filter(client=client).delete()
            _note(actor, client, "revoked")


def prove(*, client_id: str, secret: str) -> Proven | None:
    """The client of an OAuth ``client_id`` if the secret is one of its live ones. Needs no scope.

    An unknown client costs what a known one does.
    """
    # PostgreSQL has no text with a NUL, so no client has one.
    known = [] if "\x00" in client_id else queries.client_secrets(client_id)
    digest, now, proven = token_digest(secret), clock.now(), None
    for one in known:
        if hmac.compare_digest(digest, one.digest) and one.is_live(now):
            proven = one
    if proven is None:
        hmac.compare_digest(digest, _NOTHING)
        return None
    return Proven(queries.machine_client(proven.client_id), proven.secret_id)


def new_token() -> str:
    return TOKEN + secrets.token_urlsafe(32)


def keep_token(*, proven: Proven, token: str, scopes: Iterable[str], seconds: int) -> None:
    """Keep what a program's new token may do and when it ends; its expired ones are forgotten."""
    now, client = clock.now(), proven.client
    with tenancy.operator_scope(client.operator_id, durable=True):
        ClientToken.objects.filter(client=client, expires_at__lte=now).delete()
        ClientToken.objects.create(
            client=client,
            secret_id=proven.secret_id,
            digest=token_digest(token),
            scopes=list(scopes),
            made_at=now,
            expires_at=now + timedelta(seconds=seconds),
        )
        _note_used(client.pk, now)
        ClientSecret.objects.filter(_unused_for_a_while(now), id=proven.secret_id).update(last_used_at=now)


def forget_token(*, client: MachineClient, token: str) -> None:
    """A token that its own client gives back (RFC 7009); another's, and one that is none, is let be."""
    with tenancy.operator_scope(client.operator_id, durable=True):
        ClientToken.objects.filter(client=client, digest=token_digest(token)).delete()


def note_use(binding: queries.ClientTokenBinding) -> None:
    """Remember that a program called, once a minute at most."""
    now = clock.now()
    if binding.last_used_at is None or binding.last_used_at <= now - USE_NOTED_EVERY:
        with tenancy.operator_scope(binding.operator_id):
            _note_used(binding.client_id, now)


def _note_used(client_id: int, now: datetime) -> None:
    """Of several calls at once one writes, and none waits for another."""
    with connections["default"].cursor() as cursor:
        cursor.execute(
            """
            UPDATE accounts_machineclient SET last_used_at = %(now)s WHERE id = (
                SELECT id FROM accounts_machineclient
                WHERE id = %(id)s AND (last_used_at IS NULL OR last_used_at <= %(before)s)
                FOR NO KEY UPDATE SKIP LOCKED
            )
            """,
            {"id": client_id, "now": now, "before": now - USE_NOTED_EVERY},
        )


def _unused_for_a_while(now: datetime) -> Q:
    return Q(last_used_at=None) | Q(last_used_at__lte=now - USE_NOTED_EVERY)


def _refuse_others(actor: Actor) -> None:
    """Only an owner gives programs their rights: one that could would give itself more."""
    require(actor, Permission.INTEGRATIONS_MANAGE)
    if actor.kind is ActorKind.CLIENT:
        raise Forbidden(_("Programs are made, changed and revoked by an owner, not by a program."))


def _name(typed: str) -> str:
    name = typed.strip()
    if not name or len(name) > MOST_NAME or "\x00" in name:
        wrong = _("Give the program a name of up to {most} characters.", most=MOST_NAME)
        raise BadInput(wrong, errors=[Problem("/name", "invalid", wrong)])
    return name


def _scopes(chosen: Iterable[str]) -> list[str]:
    """In the order of ``PROGRAM_SCOPES``, each once."""
    wanted = set(chosen)
    if unknown := wanted - {scope.value for scope in PROGRAM_SCOPES}:
        strange = _("There is no scope {scope} for programs.", scope=min(unknown))
        raise BadInput(strange, errors=[Problem("/scopes", "unknown", strange)])
    if not wanted:
        none = _("Choose at least one thing that the program may do.")
        raise BadInput(none, errors=[Problem("/scopes", "missing", none)])
    return [scope.value for scope in PROGRAM_SCOPES if scope.value in wanted]


def _taken(name: str) -> Conflict:
    taken = _("There is a program named {name} already. Choose another name.", name=name)
    return Conflict(taken, errors=[Problem("/name", "taken", taken)])


def _locked(client_uuid: UUID) -> MachineClient:
    """The row is locked, so that two owners can't make a second secret each at once."""
    found = queries.program(client_uuid)
    return MachineClient.objects.select_for_update().get(id=found.pk)


def _at_work(client_uuid: UUID) -> MachineClient:
    client = _locked(client_uuid)
    if client.revoked_at is not None:
        raise Conflict(_("{name} was revoked and stays so. Make a new program instead.", name=client.name))
    return client


def _new_secret(actor: Actor, client: MachineClient) -> str:
    secret = SECRET + secrets.token_urlsafe(32)
    made = ClientSecret.objects.create(
        client=client,
        digest=token_digest(secret),
        hint=secret[-4:],
        made_at=clock.now(),
        made_by=_who(actor),
    )
    _note(actor, client, "secret_made", hint=made.hint)
    return secret


def _end(actor: Actor, client: MachineClient, secret: ClientSecret, at: datetime) -> None:
    """A secret that ends sooner already keeps that."""
    if secret.ends_at is not None and secret.ends_at <= at:
        return
    secret.ends_at = at
    secret.save(update_fields=["ends_at"])
    if at > clock.now():
        _note(actor, client, "secret_ends", hint=secret.hint, ends_at=at.isoformat())
    else:
        ClientToken.objects.filter(secret=secret).delete()
        _note(actor, client, "secret_ended", hint=secret.hint)


def _note(actor: Actor, client: MachineClient, what: str, **about: Any) -> None:
    """The client's row is new or locked, so that numbers follow each other."""
    last = queries.changes_of(client).values_list("number", flat=True).first()
    ClientChange.objects.create(
        client=client,
        number=(last or 0) + 1,
        at=clock.now(),
        by=_who(actor),
        by_id=actor.id,
        what=what,
        about=about,
    )


def _who(actor: Actor) -> str:
    return actor.name[:120]
