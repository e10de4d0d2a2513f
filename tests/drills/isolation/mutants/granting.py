"""What roles may, are and own, and what stands around the tables, weakened one grant or attribute at a time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from accounts.isolation.wanted import rows_of
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SETTING, SYSTEM_ROLE
from tests.drills.isolation.mutants.database import GRANTEES, MIGRATE_ROLE, Mutant

TABLE_PRIVILEGES = ("SELECT", "INSERT", "UPDATE", "DELETE", "TRUNCATE", "REFERENCES", "TRIGGER", "MAINTAIN")
COLUMN_PRIVILEGES = ("SELECT", "INSERT", "UPDATE", "REFERENCES")
POWERS = ("SUPERUSER", "BYPASSRLS", "CREATEROLE", "CREATEDB", "REPLICATION")
# PostgreSQL's own roles, as its documentation lists them (chapter "Predefined Roles" of version 18, from memory).
GIVEN_ROLES = (
    "pg_read_all_data",
    "pg_write_all_data",
    "pg_maintain",
    "pg_read_server_files",
    "pg_write_server_files",
    "pg_execute_server_program",
    "pg_monitor",
    "pg_read_all_settings",
    "pg_read_all_stats",
    "pg_stat_scan_tables",
    "pg_signal_backend",
    "pg_checkpoint",
    "pg_create_subscription",
    "pg_use_reserved_connections",
)
ROLES = (OWNER_ROLE, MIGRATE_ROLE, APP_ROLE, SYSTEM_ROLE)


def of_privileges(cursor: Any) -> Iterator[Mutant]:
    held = set(
        rows_of(
            cursor,
            "SELECT c.relname::text, coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type FROM pg_class c, aclexplode(c.relacl) a "
            "LEFT JOIN pg_roles r ON r.oid = a.grantee WHERE c.relnamespace = 'public'::regnamespace",
        )
    )
    tables = rows_of(
        cursor,
        "SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY 1",
    )
    for (table,) in tables:
        for role in GRANTEES:
            for privilege in TABLE_PRIVILEGES:
                if (table, role, privilege) in held:
                    sql, says = (
                        f'REVOKE {privilege} ON "{table}" FROM {role}',
                        f"{table}: {role} lacks {privilege}.",
                    )
                else:
                    sql, says = (
                        f'GRANT {privilege} ON "{table}" TO {role}',
                        f"{table}: {role} holds {privilege}.",
                    )
                yield Mutant("privileges", sql, says, f"{role} {privilege}")
                if role != "PUBLIC":
                    pass_on = f'GRANT {privilege} ON "{table}" TO {role} WITH GRANT OPTION'
                    says = f"{table}: {role} may pass {privilege} on."
                    yield Mutant("privileges", pass_on, says, f"{role} {privilege} on")


def of_columns(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor,
        "SELECT c.relname::text, a.attname::text, ARRAY(SELECT r.rolname::text || ' ' || p.privilege_type FROM aclexplode(a.attacl) p "
        "JOIN pg_roles r ON r.oid = p.grantee) FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid "
        "WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND a.attnum > 0 AND NOT a.attisdropped ORDER BY 1, 2",
    )
    for table, column, held in rows:
        for role in GRANTEES:
            for privilege in COLUMN_PRIVILEGES:
                on = f'{privilege} ("{column}") ON "{table}"'
                if f"{role} {privilege}" in held:
                    sql, verb = f"REVOKE {on} FROM {role}", "lacks"
                else:
                    sql, verb = f"GRANT {on} TO {role}", "holds"
                says = f"{table}.{column}: {role} {verb} {privilege} on this column."
                yield Mutant("column privileges", sql, says, f"{role} {privilege}")


def of_sequences(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor,
        "SELECT relname::text FROM pg_class WHERE relkind = 'S' AND relnamespace = 'public'::regnamespace ORDER BY 1",
    )
    for (name,) in rows:
        for role in GRANTEES:
            for privilege in ("USAGE", "SELECT", "UPDATE"):
                sql = f'GRANT {privilege} ON SEQUENCE "{name}" TO {role}'
                yield Mutant(
                    "privileges", sql, f"{name}: {role} holds {privilege}.", f"{role} {privilege} sequence"
                )


def of_roles(cursor: Any) -> Iterator[Mutant]:
    for role in ROLES:
        for power in POWERS:
            yield Mutant("roles", f"ALTER ROLE {role} {power}", f"Role {role} may bypass row security")
        login = "LOGIN" if role == OWNER_ROLE else "NOLOGIN"
        yield Mutant("roles", f"ALTER ROLE {role} {login}", f"Role {role}: login is wrong.")
        for group in (*ROLES, *GIVEN_ROLES):
            if group != role and (role, group) != (MIGRATE_ROLE, OWNER_ROLE):
                yield Mutant("roles", f"GRANT {group} TO {role}", f"{role} is a member of {group} ")
        stranger = f"CREATE ROLE stranger LOGIN; GRANT {role} TO stranger"
        yield Mutant("roles", stranger, f"stranger is a member of {role} ")
    right = f"GRANT {OWNER_ROLE} TO {MIGRATE_ROLE} WITH"
    acts = f"{MIGRATE_ROLE} can't act as {OWNER_ROLE}"
    for option in ("ADMIN TRUE", "INHERIT TRUE", "SET FALSE"):
        yield Mutant("roles", f"{right} {option}", acts)
    yield Mutant("roles", f"REVOKE {OWNER_ROLE} FROM {MIGRATE_ROLE}", acts)
    owned = {
        "a type": "CREATE TYPE of_app AS (one int); ALTER TYPE of_app OWNER TO {}",
        "a schema": "ALTER SCHEMA public OWNER TO {}",
        "a function": "ALTER FUNCTION accounts_memberships(uuid) OWNER TO {}",
        "the database": "ALTER DATABASE {database} OWNER TO {role}",
        "a view": "CREATE VIEW of_app AS SELECT 1 AS one; ALTER VIEW of_app OWNER TO {}",
    }
    ((database,),) = rows_of(cursor, "SELECT quote_ident(current_database())")
    for role in (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE):
        for sql in owned.values():
            made = sql.format(role, database=database, role=role)
            yield Mutant("roles", made, f"Role {role} owns ")


def of_surroundings(cursor: Any) -> Iterator[Mutant]:
    ((database,),) = rows_of(cursor, "SELECT quote_ident(current_database())")
    schemas = [
        name
        for (name,) in rows_of(
            cursor, "SELECT nspname::text FROM pg_namespace WHERE nspname !~ '^pg_|^information' ORDER BY 1"
        )
    ]
    usage = {("public", APP_ROLE), ("public", SYSTEM_ROLE), ("wickround_building", APP_ROLE)}
    for role in GRANTEES:
        for name in schemas:
            yield _granted(f"SCHEMA {name}", f"Schema {name}", role, "USAGE", held=(name, role) in usage)
            yield _granted(f"SCHEMA {name}", f"Schema {name}", role, "CREATE", held=False)
        for privilege in ("CONNECT", "CREATE", "TEMPORARY"):
            held = privilege == "CONNECT" and role != "PUBLIC"
            yield _granted(f"DATABASE {database}", "The database", role, privilege, held=held)
        for maker in (OWNER_ROLE, MIGRATE_ROLE):
            for kind in ("TABLES", "SEQUENCES", "FUNCTIONS", "SCHEMAS"):
                sql = f"ALTER DEFAULT PRIVILEGES FOR ROLE {maker} GRANT ALL ON {kind} TO {role}"
                # What a maker holds anyway, and what PostgreSQL gives by itself, is no change.
                if role != maker and (kind, role) != ("FUNCTIONS", "PUBLIC"):
                    yield Mutant("surroundings", sql, "There are default privileges")
        for setting in ("session_replication_role", "row_security", "log_statement"):
            sql = f"GRANT SET ON PARAMETER {setting} TO {role}"
            yield Mutant("surroundings", sql, f"{role} may SET {setting}")
    for role in (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE, OWNER_ROLE):
        for setting in (f"{SETTING} = 'x'", "row_security = off", "role = 'wickround_owner'"):
            yield Mutant(
                "surroundings", f"ALTER ROLE {role} SET {setting}", f"Settings are kept for {role}: "
            )
    kept = f"ALTER DATABASE {database} SET {SETTING} = 'x'"
    yield Mutant("surroundings", kept, "Settings are kept for the database: ")
    yield from _of_the_server(cursor, schemas)


def _granted(on: str, what: str, role: str, privilege: str, *, held: bool) -> Mutant:
    if held:
        return Mutant(
            "surroundings", f"REVOKE {privilege} ON {on} FROM {role}", f"{what}: {role} lacks {privilege}."
        )
    return Mutant(
        "surroundings", f"GRANT {privilege} ON {on} TO {role}", f"{what}: {role} holds {privilege}."
    )


def _of_the_server(cursor: Any, schemas: list[str]) -> Iterator[Mutant]:
    yield Mutant("surroundings", "CREATE SCHEMA aside", "Schema aside is not one of ours.")
    for name in schemas:
        if name != "public":
            yield Mutant("surroundings", f"DROP SCHEMA {name} CASCADE", "A schema of the rebuild is missing.")
    yield Mutant("surroundings", "DROP EXTENSION btree_gist CASCADE", "Extension btree_gist is missing.")
    available = rows_of(
        cursor, "SELECT name::text FROM pg_available_extensions WHERE installed_version IS NULL ORDER BY 1"
    )
    for (name,) in available:
        yield Mutant(
            "surroundings", f'CREATE EXTENSION "{name}" CASCADE', f"Extension {name} is one too many."
        )
    yield Mutant("surroundings", "CREATE PUBLICATION everything FOR ALL TABLES", "There is a publication")
    yield Mutant(
        "surroundings",
        "CREATE FOREIGN DATA WRAPPER f; CREATE SERVER s FOREIGN DATA WRAPPER f",
        "There is a foreign server",
    )
    yield Mutant("surroundings", "SELECT lo_create(0)", "There is a large object")
    yield Mutant(
        "surroundings",
        "CREATE FUNCTION on_ddl() RETURNS event_trigger LANGUAGE plpgsql AS 'BEGIN END'; "
        "CREATE EVENT TRIGGER on_ddl ON ddl_command_end EXECUTE FUNCTION on_ddl()",
        "There is a event trigger",
    )
