"""Programs: who makes them, their secrets and scopes, what is kept of them, and that no other operator sees them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import psycopg
import pytest
from django.db import ProgrammingError, connections

from accounts import clock, queries, tenancy
from accounts.commands import clients
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.ids import uuid7
from accounts.models import ClientChange, ClientSecret, ClientToken, MachineClient
from accounts.permissions import (
    PROGRAM_SCOPES,
    ROLE_PERMISSIONS,
    Actor,
    ActorKind,
    Permission,
    Role,
    require,
)
from tests.accounts.test_operators import only, roles_that_may
from tests.api.callers import token_for

BOOKS = ["changes:read", "invoices:read"]
_numbers = iter(range(10_000))


def made(cast, *, scopes=BOOKS, name=""):
    return clients.make_client(actor=cast.owner, name=name or f"Ledger {next(_numbers)}", scopes=scopes)


def live_secrets(cast, client):
    with cast.reading():
        now = clock.now()
        return [one for one in queries.secrets_of(client) if one.ends_at is None or now < one.ends_at]


def row_of(cast, client, secret):
    """The id of a secret's row."""
    with cast.reading():
        return queries.secrets_of(client).get(hint=secret[-4:]).id


def proves(client, secret):
    return clients.prove(client_id=client.client_id, secret=secret) is not None


def test_only_an_owner_gives_programs_their_rights(north):
    client, _ = made(north)
    with north.reading():
        (secret,) = queries.secrets_of(client)
    uses = [
        lambda actor: clients.make_client(actor=actor, name=f"By {actor.role}", scopes=BOOKS),
        lambda actor: clients.change_client(
            actor=actor, client_uuid=client.uuid, name=f"Of {actor.role}", scopes=BOOKS
        ),
        lambda actor: clients.make_secret(actor=actor, client_uuid=client.uuid, overlap="none"),
        lambda actor: clients.end_secret(actor=actor, client_uuid=client.uuid, secret_id=secret.id),
        lambda actor: clients.revoke_client(actor=actor, client_uuid=client.uuid),
    ]

    assert [roles_that_may(north, use) for use in uses] == [only(Role.OWNER)] * len(uses)


def test_a_program_makes_no_program_whatever_it_may(north):
    actor = Actor(
        north.operator.id, ActorKind.CLIENT, Role.OWNER, name="Books", scopes=frozenset(PROGRAM_SCOPES)
    )

    with pytest.raises(Forbidden, match="by an owner, not by a program"):
        clients.make_client(actor=actor, name="More", scopes=BOOKS)


def test_a_program_may_what_its_scopes_say_and_nothing_by_its_role():
    words = {Permission.INVOICES_READ}
    actor = Actor(uuid7(), ActorKind.CLIENT, Role.OWNER, scopes=frozenset(words))

    assert {one for one in Permission if actor.may(one)} == words
    with pytest.raises(Forbidden, match="lacks the scope payments:read"):
        require(actor, Permission.PAYMENTS_READ)


def test_a_scope_gives_no_more_than_the_role_has():
    actor = Actor(uuid7(), ActorKind.CLIENT, Role.VIEWER, scopes=frozenset(Permission))

    assert {one for one in Permission if actor.may(one)} == ROLE_PERMISSIONS[Role.VIEWER]


def test_what_a_person_alone_does_is_no_scope():
    assert not PROGRAM_SCOPES.keys() & {
        Permission.MEMBERS_MANAGE,
        Permission.OWN_SETTINGS,
        Permission.TEXTS_ERASE,
    }


@pytest.mark.parametrize(
    ("name", "scopes", "pointer", "match"),
    [
        ("  ", BOOKS, "/name", "name of up to 80"),
        ("n" * 81, BOOKS, "/name", "name of up to 80"),
        ("a\x00b", BOOKS, "/name", "name of up to 80"),
        ("Books", [], "/scopes", "at least one"),
        ("Books", ["invoices:read", "members:manage"], "/scopes", "no scope members:manage"),
        ("Books", ["everything"], "/scopes", "no scope everything"),
    ],
)
def test_a_program_has_a_name_and_scopes_that_there_are(north, name, scopes, pointer, match):
    with pytest.raises(BadInput, match=match) as refusal:
        clients.make_client(actor=north.owner, name=name, scopes=scopes)

    assert [one.pointer for one in refusal.value.errors] == [pointer]
    with north.reading():
        assert list(queries.programs()) == []


def test_a_name_is_free_again_when_its_program_was_revoked(north, south):
    client, _ = made(north, name="Ledger")
    made(south, name="Ledger")

    with pytest.raises(Conflict, match="named Ledger already"):
        made(north, name="Ledger")
    other, _ = made(north, name="Ledger 2")
    with pytest.raises(Conflict, match="named Ledger already"):
        clients.change_client(actor=north.owner, client_uuid=other.uuid, name="Ledger", scopes=BOOKS)
    clients.revoke_client(actor=north.owner, client_uuid=client.uuid)
    again, _ = made(north, name="Ledger")

    with north.reading():
        assert [one.uuid for one in queries.programs()] == [again.uuid, other.uuid, client.uuid]


def test_scopes_stand_once_and_in_order(north):
    client, _ = made(north, scopes=["invoices:read", "changes:read", "invoices:read"])

    assert client.scopes == ["changes:read", "invoices:read"]


def test_the_first_secret_proves_who_the_program_is_and_no_other_does(north, south):
    client, secret = made(north)
    other, others = made(south)

    assert proves(client, secret)
    assert not proves(client, others)
    assert not proves(other, secret)
    assert not proves(client, secret[:-1])
    assert not proves(client, "")
    assert clients.prove(client_id="nobody", secret=secret) is None
    assert clients.prove(client_id="no\x00body", secret=secret) is None


def test_the_secret_before_works_as_long_as_was_chosen(north, later):
    client, first = made(north)
    _, second = clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")

    assert (proves(client, first), proves(client, second)) == (True, True)
    later(hours=23, minutes=59)
    assert proves(client, first)
    later(minutes=1)
    assert (proves(client, first), proves(client, second)) == (False, True)
    _, third = clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="none")
    assert (proves(client, second), proves(client, third)) == (False, True)


def test_never_more_than_two_secrets_are_live(north, later):
    client, _ = made(north)
    clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="week")

    with pytest.raises(Conflict, match="Two secrets are live already"):
        clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")
    assert len(live_secrets(north, client)) == 2
    clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="none")
    assert len(live_secrets(north, client)) == 1
    with pytest.raises(BadInput, match="when the secret before ends"):
        clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="year")


def test_two_owners_at_once_make_no_third_live_secret(north):
    client, _ = made(north)
    now = clock.now()

    def make(_number):
        clock.set_to(now)
        try:
            clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="week")
        except Conflict:
            return 0
        finally:
            connections.close_all()
        return 1

    with ThreadPoolExecutor(6) as pool:
        assert sum(pool.map(make, range(6))) == 1
    assert len(live_secrets(north, client)) == 2


def test_a_secret_that_ends_soon_is_not_kept_longer_by_the_next(north, later):
    client, first = made(north)
    _, second = clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")
    clients.end_secret(actor=north.owner, client_uuid=client.uuid, secret_id=row_of(north, client, second))
    clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="week")

    later(days=1)

    assert not proves(client, first)


def test_an_ended_secret_ends_its_own_tokens_only(north):
    client, first = made(north)
    _, second = clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")
    tokens = [token_for(client.client_id, secret) for secret in (first, second)]

    clients.end_secret(actor=north.owner, client_uuid=client.uuid, secret_id=row_of(north, client, first))

    bindings = [queries.client_token_binding(clients.token_digest(token)) for token in tokens]
    assert bindings[0] is None
    assert bindings[1].is_live(clock.now())


def test_a_token_ends_with_its_secret_at_the_very_time(north, later):
    client, first = made(north)
    clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")
    later(hours=23, minutes=55)
    token = token_for(client.client_id, first)
    binding = queries.client_token_binding(clients.token_digest(token))

    assert binding.is_live(clock.now() + timedelta(minutes=4))
    assert not binding.is_live(clock.now() + timedelta(minutes=5))


def test_a_revoked_program_proves_nothing_and_is_changed_no_more(north):
    client, secret = made(north)
    token = token_for(client.client_id, secret)
    clients.revoke_client(actor=north.owner, client_uuid=client.uuid)
    clients.revoke_client(actor=north.owner, client_uuid=client.uuid)

    assert not proves(client, secret)
    assert queries.client_token_binding(clients.token_digest(token)) is None
    for refused in (
        lambda: clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="none"),
        lambda: clients.change_client(actor=north.owner, client_uuid=client.uuid, name="Again", scopes=BOOKS),
    ):
        with pytest.raises(Conflict, match="was revoked and stays so"):
            refused()


def test_a_token_kept_while_its_program_is_revoked_is_worth_nothing(north):
    """The token's row may come just after the revocation that did not see it."""
    client, secret = made(north)
    proven = clients.prove(client_id=client.client_id, secret=secret)
    clients.revoke_client(actor=north.owner, client_uuid=client.uuid)
    token = clients.new_token()
    clients.keep_token(proven=proven, token=token, scopes=BOOKS, seconds=900)

    assert not queries.client_token_binding(clients.token_digest(token)).is_live(clock.now())


def test_every_change_says_who_and_when(north, later):
    started = clock.now()
    client, secret = made(north, name="Ledger")
    at = later(hours=1)
    clients.change_client(actor=north.owner, client_uuid=client.uuid, name="Ledger", scopes=["invoices:read"])
    clients.change_client(actor=north.owner, client_uuid=client.uuid, name="Ledger", scopes=["invoices:read"])
    clients.make_secret(actor=north.owner, client_uuid=client.uuid, overlap="day")
    first = row_of(north, client, secret)
    clients.end_secret(actor=north.owner, client_uuid=client.uuid, secret_id=first)
    clients.end_secret(actor=north.owner, client_uuid=client.uuid, secret_id=first)
    clients.revoke_client(actor=north.owner, client_uuid=client.uuid)

    with north.reading():
        changes = list(queries.changes_of(client))[::-1]
    assert [one.what for one in changes] == [
        "made",
        "secret_made",
        "changed",
        "secret_ends",
        "secret_made",
        "secret_ended",
        "revoked",
    ]
    assert {(one.by, one.by_id) for one in changes} == {(north.owner.name, north.owner.id)}
    assert [one.at for one in changes] == [started] * 2 + [at] * 5
    assert changes[2].about == {"name": "Ledger", "scopes": ["invoices:read"]}


def test_the_history_is_only_added_to(north):
    made(north)

    for change in (
        lambda: ClientChange.objects.update(by="Somebody"),
        lambda: ClientChange.objects.all()._raw_delete("default"),
    ):
        with pytest.raises(ProgrammingError, match="permission denied"), tenancy.writing(north.owner):
            change()


def test_a_rival_finds_none_of_it(north, south):
    client, _ = made(north)
    with north.reading():
        (secret,) = queries.secrets_of(client)

    for use in (
        lambda: clients.change_client(actor=south.owner, client_uuid=client.uuid, name="Mine", scopes=BOOKS),
        lambda: clients.make_secret(actor=south.owner, client_uuid=client.uuid, overlap="none"),
        lambda: clients.end_secret(actor=south.owner, client_uuid=client.uuid, secret_id=secret.id),
        lambda: clients.revoke_client(actor=south.owner, client_uuid=client.uuid),
    ):
        with pytest.raises(NotFound, match="no program here"):
            use()
    own, _ = made(south)
    with pytest.raises(NotFound, match="no such secret"):
        clients.end_secret(actor=south.owner, client_uuid=own.uuid, secret_id=secret.id)
    with south.reading():
        assert list(queries.programs()) == [own]
        # Row security, not only the question: all that a bare query finds is the rival's own.
        assert list(MachineClient.objects.all()) == [own]
        assert {one.client_id for one in ClientSecret.objects.all()} == {own.pk}


def test_outside_a_scope_clients_are_read_and_never_written(north):
    client, _ = made(north)

    assert MachineClient.objects.get(client_id=client.client_id).uuid == client.uuid
    with pytest.raises(ProgrammingError, match="row-level security"):
        MachineClient.objects.filter(id=client.pk).update(name="Other")


def test_the_system_role_sees_no_credential(north):
    made(north)

    for model in (MachineClient, ClientSecret, ClientToken, ClientChange):
        with (
            pytest.raises(ProgrammingError, match="permission denied"),
            connections["system"].cursor() as cursor,
        ):
            cursor.execute(f"SELECT 1 FROM {model._meta.db_table}")
        connections["system"].rollback()


def test_the_database_holds_nothing_by_which_one_could_sign_in(north, superuser: psycopg.Connection):
    client, secret = made(north)
    token = token_for(client.client_id, secret)
    tables = [
        row[0] for row in superuser.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
    ]

    for text in (secret, token, secret.removeprefix(clients.SECRET), token.removeprefix(clients.TOKEN)):
        found = [
            table
            for table in tables
            if superuser.execute(
                f'SELECT 1 FROM "{table}" t WHERE strpos(t::text, %s) > 0 LIMIT 1', [text]
            ).fetchone()
        ]
        assert found == []
    kept = superuser.execute(
        "SELECT client_secret FROM accounts_machineclient WHERE id = %s", [client.pk]
    ).fetchone()
    assert kept == ("!",)
    with pytest.raises(psycopg.errors.CheckViolation):
        superuser.execute("UPDATE accounts_machineclient SET client_secret = 'known'")


def test_use_is_written_once_a_minute_at_most(north, later):
    client, secret = made(north)
    digest = clients.token_digest(token_for(client.client_id, secret))

    def used():
        clients.note_use(queries.client_token_binding(digest))
        with north.reading():
            return queries.program(client.uuid).last_used_at

    first = used()
    later(seconds=59)
    assert used() == first
    at = later(seconds=1)
    assert used() == at
    with north.reading():
        assert queries.secrets_of(client)[0].last_used_at == first


def test_expired_tokens_are_forgotten_when_the_next_is_given(north, later):
    client, secret = made(north)
    token_for(client.client_id, secret)
    token_for(client.client_id, secret)
    later(minutes=15)
    token_for(client.client_id, secret)

    with north.reading():
        assert ClientToken.objects.filter(client=client).count() == 1
