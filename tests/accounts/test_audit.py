"""The audit: each change tells who made it and from where, in the transaction that makes it, and nobody changes an entry."""

from __future__ import annotations

import psycopg
import pytest
from django.db import DatabaseError, connections

from accounts import auditing, clock, origin, tenancy
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.models import AuditEntry, Crew, SiteContact
from accounts.tenancy import NoOperatorScope
from tests.cast import NOON


def entries(cast, **which):
    with tenancy.reading(cast.owner):
        return list(AuditEntry.objects.filter(**which).order_by("number"))


def test_what_is_added_changed_and_removed_is_told_with_who_did_it_from_where(north):
    whence = origin.Origin(uuid7(), "192.0.2.7", "POST site-contacts")
    with origin.coming_from(whence):
        with tenancy.writing(north.dispatcher):
            contact = SiteContact.objects.create(
                site=north.site, name="Ann Porter", email="ann@site.example", added_at=NOON
            )
        with tenancy.writing(north.owner):
            SiteContact.objects.filter(id=contact.id).update(name="Bo Porter", wants_announcements=False)
            SiteContact.objects.filter(id=contact.id).delete()

    added, changed, removed = entries(north, kind="site contact", row_id=str(contact.id))

    assert (added.action, added.actor_id, added.actor_kind) == ("added", north.dispatcher.id, "member")
    assert (added.actor_name, added.address, added.request_id, added.door, added.at) == (
        north.dispatcher.name,
        "192.0.2.7",
        whence.request_id,
        "POST site-contacts",
        clock.now(),
    )
    assert added.about == {"to": {"site_id": str(north.site.id), "wants_announcements": True}}
    assert (changed.action, changed.actor_id) == ("changed", north.owner.id)
    # That the name is another is told; which it was and is stays in the row.
    assert changed.about == {
        "changed": ["name", "wants_announcements"],
        "of": {"site_id": str(north.site.id)},
        "from": {"wants_announcements": True},
        "to": {"wants_announcements": False},
    }
    assert (removed.action, removed.about["from"]["wants_announcements"]) == ("removed", False)


def test_what_changes_nothing_or_is_undone_tells_nothing(north):
    before = len(entries(north))
    with tenancy.writing(north.owner):
        Crew.objects.filter(id=north.crew.id).update(name=north.crew.name)

    def undone():
        with tenancy.writing(north.owner):
            Crew.objects.filter(id=north.crew.id).update(name="Another")
            auditing.note(action="looked")
            raise RuntimeError("undone")

    with pytest.raises(RuntimeError, match="undone"):
        undone()

    assert len(entries(north)) == before


def test_an_act_is_noted_at_the_end_of_its_transaction_by_whoever_acts(north):
    with tenancy.writing(north.owner):
        auditing.note(action="code_shown", kind="entry secret", row_id=north.site.id, day=NOON.date())
        assert not AuditEntry.objects.filter(action="code_shown").exists()

    (entry,) = entries(north, action="code_shown")
    assert (entry.actor_id, entry.kind, entry.row_id) == (north.owner.id, "entry secret", str(north.site.id))
    assert entry.about == {"day": "2026-06-15"}


def test_a_command_undone_inside_a_larger_transaction_notes_nothing(north):
    def undone():
        with tenancy.writing(north.owner):
            auditing.note(action="undone")
            raise RuntimeError("undone")

    with tenancy.one_transaction(north.owner):
        with tenancy.writing(north.owner):
            auditing.note(action="kept")
        with pytest.raises(RuntimeError, match="undone"):
            undone()

    assert [entry.action for entry in entries(north, action__in=["kept", "undone"])] == ["kept"]


def test_outside_of_a_transaction_nothing_can_be_noted(north):
    with pytest.raises(NoOperatorScope):
        auditing.note(action="looked")
    with tenancy.reading(north.owner), pytest.raises(NoOperatorScope):
        auditing.note(action="looked")


def test_what_a_person_does_with_their_sign_in_is_told_to_every_operator_of_theirs(north, south):
    person = north.users[north.owner.role]
    member = operators.add_member(
        actor=south.owner, user_id=person.id, role=south.dispatcher.role, name="Also Here"
    )
    auditing.note_of_person(user_id=person.id, action="signed_in")
    auditing.note_of_person(user_id=person.id, action="second_factor_reset", by_person=False)

    here, away = entries(north, action="signed_in"), entries(south, action="signed_in")
    assert [(entry.actor_id, entry.row_id) for entry in here] == [(north.owner.id, str(north.owner.id))]
    assert [(entry.actor_name, entry.row_id) for entry in away] == [("Also Here", str(member.id))]
    (reset,) = entries(north, action="second_factor_reset")
    assert (reset.actor_kind, reset.actor_name) == ("system", "Wickround")


def test_whoever_changes_a_row_by_hand_is_named_by_their_role(north, database):
    with psycopg.connect(database.database_migrate_url) as connection:
        connection.execute("SET ROLE wickround_owner")
        connection.execute("UPDATE accounts_crew SET name = 'By Hand' WHERE id = %s", [north.crew.id])

    entry = entries(north, kind="crew", row_id=str(north.crew.id))[-1]
    assert (entry.actor_kind, entry.actor_name, entry.actor_id) == ("database", "wickround_migrate", None)
    assert entry.about == {"changed": ["name"]}


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE accounts_auditentry SET action = 'looked'",
        "DELETE FROM accounts_auditentry",
        "TRUNCATE accounts_auditentry",
    ],
)
def test_nobody_changes_an_entry_its_owner_neither(north, database, statement):
    with pytest.raises(DatabaseError, match="permission denied"), tenancy.writing(north.owner):
        connections["default"].cursor().execute(statement)
    with psycopg.connect(database.database_migrate_url) as connection:
        connection.execute("SET ROLE wickround_owner")
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="append only"):
            connection.execute(statement)


def test_an_entry_cannot_say_that_somebody_else_made_it(north):
    with tenancy.writing(north.dispatcher), connections["default"].cursor() as cursor:
        cursor.execute(
            "INSERT INTO accounts_auditentry (operator_id, number, at, actor_kind, actor_name, action, kind, row_id, about) "
            "VALUES (%s, 900000, '2001-01-01', 'member', 'Somebody Else', 'tried', '', '', '{}')",
            [north.operator.id],
        )

    (entry,) = entries(north, action="tried")
    assert (entry.actor_name, entry.at) == (north.dispatcher.name, clock.now())
    assert entry.number == len(entries(north))
