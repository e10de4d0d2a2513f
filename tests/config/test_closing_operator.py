"""Closing an operator: not before its day, not before everything is written out, all of it, and nothing of anybody else."""

from __future__ import annotations

import hashlib

import psycopg
import pytest
from django.core.management import CommandError, call_command

from accounts import clock, queries
from accounts.commands import closing, emptying, operators, support
from accounts.errors import Conflict
from accounts.ids import uuid7
from accounts.models import User
from accounts.permissions import Role
from accounts.queries import catalogue
from config.exporting.reading_back import faults
from config.management.commands import close_operator
from servicing.commands import links
from tests.browser.whole_world import whole_world
from tests.cast import NOON, new_cast
from tests.config.written import Opened, tables_of_operators
from tests.servicing.quoting import reported
from tests.servicing.recorded import photographed


@pytest.fixture(autouse=True)
def _without_waiting(monkeypatch):
    monkeypatch.setattr(close_operator, "SECONDS_FOR_THE_LAST", 0)


@pytest.fixture
def due(north, later):
    """An operator whose owner asked thirty days ago."""
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)
    later(days=closing.DAYS)
    return north


def close(cast, path):
    call_command("close_operator", cast.operator.slug, export=path)


def checksums(superuser, operator_id):
    """Of every table, an MD5 over all that stands in the rows of one operator, or of nobody but this operator."""
    found = {}
    for table, column in tables_of_operators(superuser).items():
        whose = f'"{column}" = %(o)s' if operator_id else "true"
        sql = f"SELECT count(*), md5(string_agg(t::text, chr(10) ORDER BY t::text)) FROM {table} t WHERE {whose}"
        found[table] = superuser.execute(sql, {"o": operator_id}).fetchone()
    return found


def triggers(superuser):
    return superuser.execute(
        "SELECT tgrelid::regclass::text, tgname, tgenabled FROM pg_trigger WHERE NOT tgisinternal ORDER BY 1, 2"
    ).fetchall()


def test_everything_of_it_goes_and_nothing_of_a_rival_changes(north, south, tmp_path, later, superuser):
    whole_world(north)
    reported(north)
    south.upload(south.installed(), south.exchanged())
    reported(south)
    both = _works_for_both(north, south)
    helper = _service_person(north)
    everybody = [user.id for user in north.users.values()]
    support.grant_support(actor=north.owner, email=helper.email, hours=168, reason="An invoice looks odd")
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)
    later(days=closing.DAYS)
    before, guards, path = (
        checksums(superuser, south.operator.id),
        triggers(superuser),
        tmp_path / "north.zip",
    )
    filled = [table for table, (rows, _md5) in checksums(superuser, north.operator.id).items() if rows]

    close(north, path)

    assert len(filled) > 55
    assert {table: rows for table, (rows, _) in checksums(superuser, north.operator.id).items() if rows} == {}
    assert checksums(superuser, south.operator.id) == before
    assert triggers(superuser) == guards
    assert faults(path) == []
    left = {
        row[0] for row in superuser.execute("SELECT id FROM accounts_user WHERE id = ANY(%s)", [everybody])
    }
    assert left == set()
    assert {queries.get_user(one).is_active for one in (both.id, helper.id)} == {True}
    assert queries.operator_ids(north.operator.slug) == []
    with pytest.raises(CommandError, match="no operator"):
        close(north, path)


def _works_for_both(north, south):
    person = User(
        id=uuid7(), email=f"both@{north.operator.slug}.example", name="Works For Both", password="!"
    )
    person.save(force_insert=True)
    for cast in (north, south):
        operators.add_member(actor=cast.owner, user_id=person.id, role=Role.VIEWER, name=person.name)
    return person


def _service_person(cast):
    person = User(id=uuid7(), email=f"help@{cast.operator.slug}.example", name="Helps Out", password="!")
    person.save(force_insert=True)
    return support.make_support_person(email=person.email, name=person.name)


def test_nothing_goes_without_an_owners_word_or_before_its_day(north, tmp_path, later, superuser):
    path = tmp_path / "north.zip"
    with pytest.raises(CommandError, match="No owner asked"):
        close(north, path)
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)
    later(days=closing.DAYS - 1)
    before = checksums(superuser, north.operator.id)
    with pytest.raises(CommandError, match="may be closed from 2026-07-15 on"):
        close(north, path)
    with pytest.raises(Conflict, match="before everything was written out"):
        emptying.empty(north.operator.id)
    assert (checksums(superuser, north.operator.id), path.exists()) == (before, False)
    later(days=1)
    closing.withdraw_closing(actor=north.owner)
    with pytest.raises(CommandError, match="No owner asked"):
        close(north, path)


def test_an_interrupted_one_goes_on_with_the_same_file_and_no_other(due, tmp_path, monkeypatch, superuser):
    path, calls = tmp_path / "north.zip", []
    delete_some = catalogue.delete_some

    def breaks_off(cursor, table, operator_id, most):
        calls.append(table.name)
        if len(calls) == 12:
            raise psycopg.OperationalError("the server went away")
        return delete_some(cursor, table, operator_id, most)

    monkeypatch.setattr(catalogue, "delete_some", breaks_off)
    with pytest.raises(psycopg.OperationalError):
        close(due, path)
    monkeypatch.undo()
    monkeypatch.setattr(close_operator, "SECONDS_FOR_THE_LAST", 0)
    guards = {mode for _table, _name, mode in triggers(superuser)}
    assert guards <= {"A", "O"}
    digest = hashlib.sha256(path.read_bytes()).hexdigest()

    with pytest.raises(CommandError, match=digest):
        close(due, tmp_path / "another.zip")
    path.rename(tmp_path / "kept.zip")
    with pytest.raises(CommandError, match="Nothing was deleted now"):
        close(due, path)
    close(due, tmp_path / "kept.zip")

    rows = checksums(superuser, due.operator.id)
    assert {table: count for table, (count, _) in rows.items() if count} == {}
    assert hashlib.sha256((tmp_path / "kept.zip").read_bytes()).hexdigest() == digest


def test_with_its_doors_shut_nobody_is_let_in_and_it_can_not_be_withdrawn(due, tmp_path, monkeypatch):
    monkeypatch.setattr(emptying, "empty", lambda *_rest: pytest.fail("shut"))
    with pytest.raises(pytest.fail.Exception):
        close(due, tmp_path / "north.zip")

    owner = due.users[Role.OWNER]
    assert queries.memberships_of(owner.id) == []
    assert queries.token_binding(operators.token_digest(due.phone_token)).revoked_at is not None
    with pytest.raises(Conflict, match="at this moment"):
        closing.withdraw_closing(actor=due.owner)


def test_what_is_written_after_the_file_was_made_is_never_lost(due, tmp_path, monkeypatch):
    """An upload between the file and the shutting of the doors, and one that was under way while they were shut."""
    shut, path = emptying.shut, tmp_path / "north.zip"
    link, _token = links.make_link(actor=due.owner, site_id=due.site.id)
    monkeypatch.setattr(
        emptying, "shut", lambda *rest, **values: (due.upload(due.installed()), shut(*rest, **values))
    )
    with pytest.raises(CommandError, match="written after the file was made"):
        close(due, path)
    assert queries.memberships_of(due.users[Role.OWNER].id) != []
    monkeypatch.setattr(
        emptying, "shut", lambda *rest, **values: (shut(*rest, **values), due.upload(due.exchanged()))
    )
    with pytest.raises(CommandError, match="Move that file away"):
        close(due, tmp_path / "second.zip")
    monkeypatch.setattr(emptying, "shut", shut)

    close(due, tmp_path / "third.zip")

    third = Opened((tmp_path / "third.zip").read_bytes())
    assert sum(line.count(b"cartridge.exchanged") for line in third.lines("log/events.jsonl")) == 1
    # What ended when the doors were shut before the second file stands in the third all the same.
    assert [row["id"] for row in third.rows("tables/servicing_recordlink.csv")] == [str(link.id)]
    assert len(third.rows("tables/accounts_accesstoken.csv")) >= 1


def test_a_photo_that_comes_while_the_doors_are_shut_is_never_lost(due, tmp_path, monkeypatch):
    """It stands in no log, and the audit tells only when one is removed."""
    shut = emptying.shut
    monkeypatch.setattr(
        emptying, "shut", lambda *rest, **values: (shut(*rest, **values), photographed(due, uuid7(), NOON))
    )
    with pytest.raises(CommandError, match="servicing_photo has 1 rows, the archive 0"):
        close(due, tmp_path / "north.zip")
    monkeypatch.setattr(emptying, "shut", shut)

    close(due, tmp_path / "second.zip")

    names = Opened((tmp_path / "second.zip").read_bytes()).names
    assert len([name for name in names if name.startswith("photos/")]) == 1


def test_broken_off_before_it_looked_again_it_makes_another_file(due, tmp_path, monkeypatch):
    """Between the shutting of the doors and the last look, an upload that was under way got through."""

    def breaks_off(_seconds):
        due.upload(due.installed())
        raise KeyboardInterrupt

    monkeypatch.setattr(close_operator.time, "sleep", breaks_off)
    with pytest.raises(KeyboardInterrupt):
        close(due, tmp_path / "north.zip")
    monkeypatch.undo()
    monkeypatch.setattr(close_operator, "SECONDS_FOR_THE_LAST", 0)
    with pytest.raises(CommandError, match="there already"):
        close(due, tmp_path / "north.zip")

    close(due, tmp_path / "second.zip")

    assert len(Opened((tmp_path / "second.zip").read_bytes()).lines("log/events.jsonl")) >= 1


def test_two_at_once_do_not_meet(due):
    from django.db import connections

    with emptying.one_closing_at_a_time(due.operator.id):
        other = connections["migrate"].copy()
        try:
            with other.cursor() as cursor:
                cursor.execute(
                    "SELECT pg_try_advisory_lock(hashtextextended(%s, 0))", [f"closing/{due.operator.id}"]
                )
                assert cursor.fetchone() == (False,)
        finally:
            other.close()


def test_the_guards_are_off_for_nobody_else_while_rows_go(due, south, tmp_path, monkeypatch, servers):
    """Midway in a transaction of the deletion, another one of the owner's still can't change a rival's log."""
    south.upload(south.installed())
    seen, delete_some = [], catalogue.delete_some

    def looks(cursor, table, operator_id, most):
        if table.name == "accounts_auditentry" and not seen:
            seen.append(_tries_to_change(servers))
        return delete_some(cursor, table, operator_id, most)

    monkeypatch.setattr(catalogue, "delete_some", looks)
    close(due, tmp_path / "north.zip")

    assert seen == ["waits or is refused"]
    with psycopg.connect(servers.superuser_url) as owner, pytest.raises(psycopg.errors.InsufficientPrivilege):
        owner.execute("UPDATE servicing_event SET type = 'x' WHERE operator_id = %s", [south.operator.id])


def _tries_to_change(servers):
    with psycopg.connect(servers.superuser_url) as owner:
        owner.execute("SET lock_timeout = 200")
        try:
            owner.execute("DELETE FROM accounts_auditentry")
        except (psycopg.errors.InsufficientPrivilege, psycopg.errors.LockNotAvailable):
            return "waits or is refused"
    return "went through"


def test_every_table_is_emptied_after_those_that_refer_to_it(database, superuser):
    from django.db import connections

    with connections["migrate"].cursor() as cursor:
        found = catalogue.plan(cursor)
    order = [table.name for table in found.all]

    assert set(order) >= tables_of_operators(superuser).keys()
    assert order[-1] == "accounts_operator"
    assert {table.name for table in found.last} == {
        "accounts_closing",
        "accounts_crew",
        "accounts_member",
        "accounts_operator",
    }
    references = superuser.execute(
        "SELECT conrelid::regclass::text, confrelid::regclass::text FROM pg_constraint WHERE contype = 'f'"
    ).fetchall()
    inside = [(a, b) for a, b in references if a in order and b in order and a != b]
    assert [(a, b) for a, b in inside if order.index(a) > order.index(b)] == []
    assert len(inside) > 100


def test_the_day_is_the_operators_own(database, tmp_path):
    """Asked for at noon UTC of 15 June: in Auckland that is 16 June."""
    cast = new_cast("auckland", zone="Pacific/Auckland")
    found = closing.ask_to_close(actor=cast.owner, slug=cast.operator.slug)

    assert (str(found.due_on), clock.now().hour) == ("2026-07-16", 12)
