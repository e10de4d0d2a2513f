"""Isolation seen from the product's own connections: the scope, the policies, the keys and the narrow system role."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, ProgrammingError, connection, connections, transaction

from accounts import queries, tenancy
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.models import Crew, Customer, Job, Operator, Site
from accounts.tenancy import (
    NoOperatorScope,
    ScopeConflict,
    across_operators,
    operator_scope,
    reading,
    writing,
)
from tests.cast import new_cast

SETTING = "SELECT current_setting('wickround.operator_id', true)"


def answer(sql: str, values: list[Any] | None = None, using: str = "default") -> Any:
    with connections[using].cursor() as cursor:
        cursor.execute(sql, values)
        return cursor.fetchone()[0]


def test_without_a_scope_the_database_shows_nothing_though_rows_are_there(north, superuser):
    there = superuser.execute("SELECT count(*) FROM accounts_site").fetchone()[0]

    assert there > 0
    assert answer("SELECT current_user::text") == "wickround_app"
    assert answer("SELECT count(*) FROM accounts_site") == 0
    assert answer("SELECT count(*) FROM accounts_operator") == 0
    assert answer("SELECT count(*) FROM servicing_event") == 0


def test_without_a_scope_the_manager_raises_instead_of_finding_nothing(north):
    with pytest.raises(NoOperatorScope, match="Site was asked for outside"):
        Site.objects.count()
    with pytest.raises(NoOperatorScope):
        queries.get_operator()


def test_inside_a_scope_only_its_operators_rows_are_there(north, south):
    with reading(north.owner):
        assert answer("SELECT array_agg(DISTINCT operator_id) FROM accounts_site") == [north.operator.id]
        assert [site.id for site in Site.objects.all()] == [north.site.id]
        assert [operator.id for operator in Operator.objects.all()] == [north.operator.id]
        assert Site.objects.filter(id=south.site.id).count() == 0
        with pytest.raises(NotFound):
            queries.get_site(south.site.id)
        with pytest.raises(NotFound):
            queries.get_site(uuid7())


def test_the_manager_filters_even_where_the_database_would_show_everything(north, south):
    with operator_scope(north.operator.id, using="system"):
        everyones = answer("SELECT count(DISTINCT operator_id) FROM accounts_job", using="system")
        ours = set(Job.objects.values_list("operator_id", flat=True))

    assert everyones >= 2
    assert ours == {north.operator.id}


def test_a_scope_of_another_operator_inside_a_scope_raises(north, south):
    with reading(north.owner):
        with pytest.raises(ScopeConflict), operator_scope(south.operator.id):
            pass
        with pytest.raises(ScopeConflict), across_operators():
            pass
        assert Site.objects.get().id == north.site.id


def test_a_scope_of_the_same_operator_nests_and_leaves_the_outer_one_open(north):
    with operator_scope(north.operator.id):
        with operator_scope(north.operator.id):
            assert Site.objects.count() == 1
        assert answer(SETTING) == str(north.operator.id)
        assert Site.objects.count() == 1


def test_leaving_a_scope_inside_an_outer_transaction_puts_back_what_was_set(north, south):
    with transaction.atomic():
        with operator_scope(north.operator.id):
            assert answer(SETTING) == str(north.operator.id)
        after_north = answer(SETTING), answer("SELECT count(*) FROM accounts_site")
        with operator_scope(south.operator.id):
            assert answer("SELECT count(*) FROM accounts_site") == 1

    assert after_north == ("", 0)


def test_a_scope_that_fails_inside_an_outer_transaction_leaves_nothing_set(north):
    with transaction.atomic():
        with pytest.raises(ZeroDivisionError), operator_scope(north.operator.id):
            raise ZeroDivisionError
        assert answer(SETTING) == ""


def test_the_setting_ends_with_its_transaction_on_the_kept_connection(north):
    with reading(north.owner):
        backend, inside = answer("SELECT pg_backend_pid()"), answer(SETTING)

    assert inside == str(north.operator.id)
    assert answer("SELECT pg_backend_pid()") == backend
    assert answer(SETTING) == ""
    assert answer("SELECT count(*) FROM accounts_site") == 0


def test_a_row_for_another_operator_is_refused(north, south):
    with pytest.raises(ProgrammingError, match="row-level security"), writing(north.owner):
        Crew.objects.create(operator_id=south.operator.id, name="Crew from next door")
    with pytest.raises(ProgrammingError, match="row-level security"), writing(north.owner):
        answer("UPDATE accounts_crew SET operator_id = %s RETURNING id", [south.operator.id])

    with reading(south.owner):
        assert [crew.name for crew in Crew.objects.all()] == ["Crew A"]


def test_another_operators_rows_can_not_be_changed(north, south):
    with writing(north.owner), connection.cursor() as cursor:
        cursor.execute("UPDATE accounts_customer SET name = 'taken' WHERE id = %s", [south.customer.id])
        assert cursor.rowcount == 0
        cursor.execute("UPDATE accounts_customer SET name = 'renamed'")
        assert cursor.rowcount == 1

    with reading(south.owner):
        assert Customer.objects.get().name == "Quay Schools"


def test_a_row_can_not_point_at_another_operators_row(north, south):
    site = {"code": "S2", "name": "Weir House", "kind": "office", "zone": "Europe/Berlin"}

    with writing(north.owner):
        Site.objects.create(customer_id=north.customer.id, **site)
    with pytest.raises(IntegrityError, match="accounts_site_customer_id_operator"), writing(south.owner):
        Site.objects.create(customer_id=north.customer.id, **site)


def test_reading_is_read_only(north):
    with pytest.raises(DatabaseError, match="read-only transaction"), reading(north.owner):
        Crew.objects.create(name="Crew B")
    with writing(north.owner):
        Crew.objects.create(name="Crew B")


def test_a_command_inside_a_command_is_refused_because_it_could_not_be_durable(north):
    with writing(north.owner), pytest.raises(RuntimeError, match="durable"), writing(north.owner):
        pass


def test_one_event_id_of_two_operators_is_two_events(north, south, superuser):
    event_id = uuid7()
    ours, theirs = north.installed() | {"id": str(event_id)}, south.installed() | {"id": str(event_id)}

    assert [fate.fate for fate in north.upload(ours)] == ["accepted"]
    assert [fate.fate for fate in south.upload(theirs)] == ["accepted"]
    assert [fate.fate for fate in south.upload(theirs)] == ["duplicate"]
    stored = superuser.execute(
        "SELECT operator_id FROM servicing_event WHERE event_id = %s ORDER BY position", [event_id]
    ).fetchall()
    assert stored == [(north.operator.id,), (south.operator.id,)]


def test_the_system_role_sees_every_operator_and_what_is_owed(north, south):
    assert {north.operator.id, south.operator.id} <= set(queries.operator_ids())
    with across_operators():
        owed = set(Job.objects.values_list("operator_id", flat=True))
        assert answer("SELECT current_user::text", using="system") == "wickround_system"
    assert {north.operator.id, south.operator.id} <= owed


@pytest.mark.parametrize(
    "table",
    [
        "accounts_customer",
        "accounts_site",
        "accounts_member",
        "accounts_user",
        "servicing_event",
        "billing_document",
    ],
)
def test_the_system_role_can_read_nothing_else(north, table):
    with pytest.raises(ProgrammingError, match="permission denied"), across_operators():
        answer(f"SELECT count(*) FROM {table}", using="system")


def test_the_system_role_can_not_change_an_operator(north):
    with pytest.raises(ProgrammingError, match="permission denied"), across_operators():
        answer("UPDATE accounts_operator SET name = 'x' RETURNING id", using="system")


def test_outside_a_scope_the_system_alias_is_no_way_around(north):
    with pytest.raises(NoOperatorScope):
        Job.objects.using("system").count()


def test_a_data_migration_reaches_the_rows_of_every_operator(north, south, superuser):
    operators = [north.operator.id, south.operator.id, new_cast("east").operator.id]
    rename = "UPDATE accounts_customer SET address = 'Quay 1' WHERE operator_id = ANY(%s)"

    with transaction.atomic(using="migrate"), connections["migrate"].cursor() as cursor:
        cursor.execute(rename, [operators])
        changed = cursor.rowcount
        transaction.set_rollback(True, using="migrate")
    # Without its policy the owner changes nothing, and says nothing.
    with superuser.transaction(force_rollback=True):
        superuser.execute("DROP POLICY owner ON accounts_customer")
        superuser.execute("SET LOCAL ROLE wickround_owner")
        changed_without_policy = superuser.execute(rename, [operators]).rowcount

    assert (changed, changed_without_policy) == (3, 0)


def test_nobody_signs_in_as_the_owner_and_the_app_can_not_become_it(north):
    with pytest.raises(ProgrammingError, match="permission denied to set role"), transaction.atomic():
        answer("SELECT set_config('role', 'wickround_owner', true)")


@pytest.mark.parametrize(
    "statement", ["ALTER TABLE accounts_site DISABLE ROW LEVEL SECURITY", "CREATE TABLE mine (id int)"]
)
def test_the_app_can_not_change_the_schema(north, statement):
    with (
        pytest.raises(ProgrammingError),
        tenancy.operator_scope(north.operator.id),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
