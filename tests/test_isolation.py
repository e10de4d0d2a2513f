"""The audit of isolation: silent on the schema as migrated, and naming whatever is taken from it."""

from __future__ import annotations

import io
from collections.abc import Callable

import psycopg
import pytest
from django.core.management import CommandError, call_command

from accounts.isolation.audit import audit
from accounts.isolation.granted import FUNCTIONS
from tests.permission_table.scopes import rivals_let_in, scopes_that_leak


@pytest.fixture
def gaps_after(superuser: psycopg.Connection) -> Callable[[str], list[str]]:
    """What the audit says after a change that is undone at once."""

    def ask(change: str) -> list[str]:
        with superuser.transaction(force_rollback=True), superuser.cursor() as cursor:
            cursor.execute(change)
            return audit(cursor).gaps

    return ask


def run() -> tuple[list[str], str]:
    out = io.StringIO()
    call_command("audit_isolation", stdout=out)
    return out.getvalue().splitlines(), out.getvalue()


def test_the_schema_as_migrated_has_no_gap(database):
    lines, text = run()

    assert lines[-1] == "No gap."
    assert "gap  " not in text


@pytest.mark.parametrize("alias", ["default", "system", "migrate"])
def test_any_of_the_roles_may_ask(database, alias):
    out = io.StringIO()
    call_command("audit_isolation", database=alias, stdout=out)

    assert out.getvalue().endswith("No gap.\n")


def test_the_audit_counts_what_it_looked_at(database, superuser):
    lines, _ = run()
    counts = {line[7:]: int(line[:5]) for line in lines[:-1]}

    tables = superuser.execute(
        "SELECT count(*) FROM pg_class WHERE relkind = 'r' AND relnamespace IN "
        "('public'::regnamespace, 'wickround_building'::regnamespace, 'wickround_retired'::regnamespace)"
    ).fetchone()[0]
    assert counts["tables isolated"] + counts["tables global, by the list"] == tables
    assert counts["policies"] == superuser.execute("SELECT count(*) FROM pg_policies").fetchone()[0]
    assert counts["composite keys"] >= 20
    assert counts["unique keys that lead with the operator"] >= counts["tables isolated"] - 1
    assert counts["functions that run as their owner"] == sum(one.runs_as_owner for one in FUNCTIONS.values())
    assert counts["roles"] == 4


def test_a_gap_makes_the_command_exit_with_1(database, superuser):
    superuser.execute("ALTER TABLE accounts_site NO FORCE ROW LEVEL SECURITY")
    out = io.StringIO()
    try:
        with pytest.raises(CommandError) as refusal:
            call_command("audit_isolation", stdout=out)
    finally:
        superuser.execute("ALTER TABLE accounts_site FORCE ROW LEVEL SECURITY")

    assert refusal.value.returncode == 1
    assert "gap  accounts_site: row-level security is not forced" in out.getvalue()
    assert run()[0][-1] == "No gap."


def test_dropping_any_one_policy_is_a_gap_of_that_name(superuser, gaps_after):
    policies = superuser.execute("SELECT tablename, policyname FROM pg_policies ORDER BY 1, 2").fetchall()

    found = {(table, name): gaps_after(f'DROP POLICY "{name}" ON "{table}"') for table, name in policies}

    assert len(found) > 60
    assert found == {(table, name): [f"{table}: policy {name} is missing."] for table, name in policies}


def test_opening_any_one_policy_is_a_gap_of_that_name(superuser, gaps_after):
    policies = superuser.execute(
        "SELECT tablename FROM pg_policies WHERE policyname = 'app' ORDER BY 1"
    ).fetchall()

    opened = {table: gaps_after(f'ALTER POLICY app ON "{table}" USING (true)') for (table,) in policies}
    unchecked = {
        table: gaps_after(f'ALTER POLICY app ON "{table}" WITH CHECK (true)') for (table,) in policies
    }

    assert len(policies) > 30
    assert [
        table for table, gaps in opened.items() if f"{table}: policy app reads" not in "".join(gaps)
    ] == []
    assert [
        table for table, gaps in unchecked.items() if f"{table}: policy app reads" not in "".join(gaps)
    ] == []


def test_a_policy_too_many_is_a_gap(gaps_after):
    assert gaps_after("CREATE POLICY extra ON accounts_site FOR SELECT USING (true)") == [
        "accounts_site: policy extra is one too many."
    ]


@pytest.mark.parametrize(
    ("change", "gap"),
    [
        ("NO FORCE", "row-level security is not forced, so its owner sees every row."),
        ("DISABLE", "row-level security is not enabled."),
    ],
)
def test_any_table_whose_row_security_is_taken_back_is_a_gap(superuser, gaps_after, change, gap):
    tables = superuser.execute("SELECT DISTINCT tablename FROM pg_policies ORDER BY 1").fetchall()

    found = {table: gaps_after(f'ALTER TABLE "{table}" {change} ROW LEVEL SECURITY') for (table,) in tables}

    assert len(found) > 30
    assert found == {table: [f"{table}: {gap}"] for (table,) in tables}


def test_dropping_any_one_composite_key_is_a_gap_of_that_name(superuser, gaps_after):
    keys = superuser.execute(
        """
        SELECT k.conname, c.relname, a.attname FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
        JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = k.conkey[2]
        WHERE k.contype = 'f' AND cardinality(k.conkey) = 2 ORDER BY 1
        """
    ).fetchall()

    found = {name: gaps_after(f'ALTER TABLE "{table}" DROP CONSTRAINT "{name}"') for name, table, _ in keys}

    assert len(found) > 20
    assert [
        name
        for name, table, column in keys
        if not found[name][0].startswith(f"{table}.{column}: no key (operator_id")
    ] == []


def test_dropping_any_one_key_to_the_operator_is_a_gap(superuser, gaps_after):
    keys = superuser.execute(
        "SELECT conname, conrelid::regclass::text FROM pg_constraint WHERE contype = 'f' AND "
        "confrelid = 'accounts_operator'::regclass"
    ).fetchall()

    found = {table: gaps_after(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"') for name, table in keys}

    assert len(found) > 30
    assert found == {
        table: [f"{table}.operator_id: no validated key to accounts_operator."] for _, table in keys
    }


def test_a_key_that_was_never_validated_is_a_gap(gaps_after):
    gaps = gaps_after(
        "ALTER TABLE accounts_site DROP CONSTRAINT accounts_site_customer_id_operator; "
        "ALTER TABLE accounts_site ADD FOREIGN KEY (operator_id, customer_id) "
        "REFERENCES accounts_customer (operator_id, id) NOT VALID"
    )

    assert gaps == ["accounts_site.customer_id: the key to accounts_customer was never validated."]


@pytest.mark.parametrize(
    ("change", "gap"),
    [
        (
            "ALTER TABLE accounts_site ADD CONSTRAINT short FOREIGN KEY (crew_id) REFERENCES accounts_crew (id)",
            "accounts_site: the key short reaches accounts_crew without the operator.",
        ),
        (
            "ALTER TABLE fleet_unit ADD CONSTRAINT one_code UNIQUE (code, id)",
            "fleet_unit: the unique key one_code (code, id) spans operators.",
        ),
        (
            "ALTER TABLE accounts_customer ALTER operator_id DROP NOT NULL",
            "accounts_customer: operator_id may be empty.",
        ),
        (
            "CREATE TABLE forgotten (id int); ALTER TABLE forgotten OWNER TO wickround_owner",
            "forgotten: neither isolated nor on the list of global tables.",
        ),
        (
            "ALTER TABLE django_session ADD operator_id uuid",
            "django_session: stands on the list of global tables and has an operator_id.",
        ),
        (
            "CREATE VIEW all_sites AS SELECT * FROM accounts_site; ALTER VIEW all_sites OWNER TO wickround_owner",
            "all_sites: this view reads as its owner; make it security_invoker.",
        ),
        (
            "CREATE MATERIALIZED VIEW kept AS SELECT 1 AS one; ALTER MATERIALIZED VIEW kept OWNER TO wickround_owner",
            "kept: a materialized view keeps rows that no policy guards.",
        ),
        (
            """CREATE FUNCTION peek() RETURNS int LANGUAGE sql SECURITY DEFINER AS 'SELECT 1';
            ALTER FUNCTION peek() OWNER TO wickround_owner""",
            "Function peek has no fixed search path.",
        ),
        (
            "GRANT EXECUTE ON FUNCTION accounts_memberships(uuid) TO PUBLIC",
            "Function accounts_memberships may be run by PUBLIC, wickround_app, wickround_owner; expected wickround_app, wickround_owner.",
        ),
        ("ALTER ROLE wickround_owner LOGIN", "Role wickround_owner: login is wrong."),
        (
            "ALTER ROLE wickround_app BYPASSRLS",
            "Role wickround_app may bypass row security, or make roles or databases.",
        ),
        (
            "GRANT wickround_owner TO wickround_app",
            "wickround_app is a member of wickround_owner with options [False, True, True].",
        ),
        (
            "ALTER TABLE fleet_unit OWNER TO wickround_app",
            "Role wickround_app owns 1 objects of the database.",
        ),
        ("GRANT UPDATE ON servicing_event TO wickround_app", "servicing_event: wickround_app holds UPDATE."),
        ("GRANT INSERT ON servicing_event TO wickround_app", "servicing_event: wickround_app holds INSERT."),
        (
            "GRANT MAINTAIN ON servicing_event TO wickround_app",
            "servicing_event: wickround_app holds MAINTAIN.",
        ),
        (
            "GRANT INSERT (position) ON servicing_event TO wickround_app",
            "servicing_event.position: wickround_app holds INSERT on this column.",
        ),
        (
            "GRANT UPDATE (payload) ON servicing_event TO wickround_app",
            "servicing_event.payload: wickround_app holds UPDATE on this column.",
        ),
        (
            "GRANT DELETE ON billing_document TO wickround_app",
            "billing_document: wickround_app holds DELETE.",
        ),
        ("GRANT TRUNCATE ON fleet_unit TO wickround_app", "fleet_unit: wickround_app holds TRUNCATE."),
        ("GRANT SELECT ON accounts_customer TO PUBLIC", "accounts_customer: PUBLIC holds SELECT."),
        (
            "GRANT SELECT ON accounts_customer TO wickround_system",
            "accounts_customer: wickround_system holds SELECT.",
        ),
        (
            "GRANT SELECT ON oauth2_provider_accesstoken TO wickround_system",
            "oauth2_provider_accesstoken: wickround_system holds SELECT.",
        ),
        (
            "ALTER TABLE accounts_accesstoken DROP CONSTRAINT accounts_accesstoken_operator_id",
            "accounts_accesstoken: no unique key leads with the operator, so no row can point at one.",
        ),
        (
            "ALTER ROLE wickround_app SET wickround.operator_id = '00000000-0000-0000-0000-000000000001'",
            "Settings are kept for wickround_app: wickround.operator_id=00000000-0000-0000-0000-000000000001.",
        ),
        ("GRANT CREATE ON SCHEMA public TO PUBLIC", "Schema public: PUBLIC holds CREATE."),
        (
            "REVOKE USAGE ON SCHEMA public FROM wickround_system",
            "Schema public: wickround_system lacks USAGE.",
        ),
        (
            "REVOKE DELETE ON accounts_sitecontact FROM wickround_app",
            "accounts_sitecontact: wickround_app lacks DELETE.",
        ),
        (
            "REVOKE ALL ON fleet_unit FROM wickround_app",
            "fleet_unit: wickround_app lacks INSERT, SELECT, UPDATE.",
        ),
        ("GRANT DELETE ON accounts_member TO wickround_app", "accounts_member: wickround_app holds DELETE."),
        (
            "GRANT SELECT ON SEQUENCE servicing_event_position_seq TO wickround_app",
            "servicing_event_position_seq: wickround_app holds SELECT.",
        ),
        (
            "GRANT SET ON PARAMETER session_replication_role TO wickround_app",
            "wickround_app may SET session_replication_role, which is a superuser's to change.",
        ),
        ("CREATE PUBLICATION everything FOR ALL TABLES", "There is a publication, and none of ours: 1."),
        ("DROP EXTENSION btree_gist CASCADE", "Extension btree_gist is missing."),
        (
            "ALTER TABLE accounts_site DISABLE TRIGGER ALL",
            "accounts_site: the key accounts_site_customer_id_operator is not checked, for its triggers are off.",
        ),
        (
            "ALTER TABLE billing_payment DROP CONSTRAINT billing_payment_operator_id CASCADE",
            "billing_payment: no unique key (operator_id, id), by which a row of its operator is named.",
        ),
        (
            "ALTER FUNCTION accounts_memberships(uuid) SECURITY INVOKER",
            "Function accounts_memberships runs as whoever calls it.",
        ),
        ("DROP FUNCTION accounts_memberships(uuid)", "Function accounts_memberships is missing."),
        ("CREATE SCHEMA aside", "Schema aside is not one of ours."),
        (
            "ALTER DEFAULT PRIVILEGES FOR ROLE wickround_owner GRANT SELECT ON TABLES TO wickround_app",
            "There are default privileges: what is made later would be granted without being named.",
        ),
    ],
)
def test_a_gap_made_by_hand_is_named(gaps_after, change, gap):
    assert gap in gaps_after(change)


def test_a_function_that_looks_past_the_policies_is_the_one_that_was_reviewed(superuser, gaps_after):
    text = superuser.execute(
        "SELECT pg_get_functiondef('accounts_memberships(uuid)'::regprocedure)"
    ).fetchone()[0]
    looser = text.replace("m.user_id = person", "true")
    assert looser != text

    (gap,) = gaps_after(looser)

    assert gap.startswith("Function accounts_memberships reads otherwise than the one that was reviewed: ")


def test_a_scope_parts_operators_where_no_policy_does(north, south):
    assert scopes_that_leak(north, south) == []


def test_no_door_lets_a_member_name_another_operator(north, south):
    assert rivals_let_in(north, south) == []


def test_any_one_guard_of_what_never_changes_is_missed(superuser, gaps_after):
    triggers = superuser.execute(
        "SELECT tgname, tgrelid::regclass::text FROM pg_trigger "
        "WHERE NOT tgisinternal AND tgname ~ '_no_(change|truncate)$' ORDER BY 1"
    ).fetchall()

    disabled = {n: gaps_after(f"ALTER TABLE {table} DISABLE TRIGGER {n}") for n, table in triggers}
    ordinary = {n: gaps_after(f"ALTER TABLE {table} ENABLE TRIGGER {n}") for n, table in triggers}
    dropped = {n: gaps_after(f"DROP TRIGGER {n} ON {table}") for n, table in triggers}

    assert len(triggers) >= 2
    assert disabled == {n: [f"{table}: trigger {n} is not enabled always."] for n, table in triggers}
    assert ordinary == disabled
    assert dropped == {n: [f"{table}: trigger {n} is missing."] for n, table in triggers}


def test_a_guard_of_one_column_alone_is_a_gap(gaps_after):
    name = "accounts_auditentry_no_change"
    gaps = gaps_after(
        f"DROP TRIGGER {name} ON accounts_auditentry; "
        f"CREATE TRIGGER {name} BEFORE UPDATE OF number OR DELETE ON accounts_auditentry "
        "FOR EACH STATEMENT EXECUTE FUNCTION accounts_refuse_audit_change(); "
        f"ALTER TABLE accounts_auditentry ENABLE ALWAYS TRIGGER {name}"
    )

    assert gaps == [f"accounts_auditentry: trigger {name} does not refuse every such statement."]


def test_a_guard_that_no_longer_refuses_is_a_gap(gaps_after):
    gaps = gaps_after(
        "CREATE OR REPLACE FUNCTION servicing_refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "'BEGIN RETURN NULL; END'"
    )

    assert "servicing_event: trigger servicing_event_no_change does not refuse every such statement." in gaps
