"""Every weakening of the isolation that can be said in SQL, drawn from what the catalogue holds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from accounts.isolation.granted import FUNCTIONS
from accounts.isolation.wanted import KEYS_ACROSS_OPERATORS, OPERATOR_TABLE, rows_of
from accounts.tenancy import APP_ROLE, GLOBAL_TABLES, OWNER_ROLE, SETTING, SYSTEM_ROLE
from tests.drills.isolation.mutants.database import Mutant

MIGRATE_ROLE = "wickround_migrate"
GRANTEES = (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE, "PUBLIC")
ROLES = (OWNER_ROLE, MIGRATE_ROLE, APP_ROLE, SYSTEM_ROLE)
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


def every_mutant(cursor: Any) -> Iterator[Mutant]:
    yield from of_policies(cursor)
    yield from of_tables(cursor)
    yield from of_references(cursor)
    yield from of_unique_keys(cursor)
    yield from of_triggers(cursor)
    yield from of_functions(cursor)
    yield from of_privileges(cursor)
    yield from of_columns(cursor)
    yield from of_sequences(cursor)
    yield from of_roles(cursor)
    yield from of_surroundings(cursor)


def of_policies(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor, "SELECT tablename::text, policyname::text, roles[1]::text FROM pg_policies ORDER BY 1, 2"
    )
    for table, name, role in rows:
        on, says = f'"{name}" ON "{table}"', f"{table}: policy {name} "
        closed = "true" if name == "app" else "false"
        changes = {
            "dropped": f"DROP POLICY {on}",
            "reads": f"ALTER POLICY {on} USING ({closed})",
            "writes": f"ALTER POLICY {on} WITH CHECK ({closed})",
            "anybody": f"ALTER POLICY {on} TO PUBLIC",
            "another": f"ALTER POLICY {on} TO {SYSTEM_ROLE if role != SYSTEM_ROLE else APP_ROLE}",
            "as well": f"ALTER POLICY {on} TO {role}, {SYSTEM_ROLE if role != SYSTEM_ROLE else APP_ROLE}",
            "one command": f"DROP POLICY {on}; CREATE POLICY {on} FOR SELECT TO {role} USING (true)",
            "restricting": f"DROP POLICY {on}; CREATE POLICY {on} AS RESTRICTIVE TO {role} USING (true)",
        }
        for group, sql in changes.items():
            yield Mutant("policies", sql, says, f"{name} {group}")
    for table in sorted({row[0] for row in rows}):
        sql = f'CREATE POLICY extra ON "{table}" TO {APP_ROLE} USING (true)'
        yield Mutant("policies", sql, f"{table}: policy extra is one too many", "extra")


def of_tables(cursor: Any) -> Iterator[Mutant]:
    tables = [
        name for (name,) in rows_of(cursor, "SELECT DISTINCT tablename::text FROM pg_policies ORDER BY 1")
    ]
    for table in tables:
        t = f'"{table}"'
        yield Mutant(
            "tables",
            f"ALTER TABLE {t} DISABLE ROW LEVEL SECURITY",
            f"{table}: row-level security is not enabled",
            "off",
        )
        yield Mutant(
            "tables",
            f"ALTER TABLE {t} NO FORCE ROW LEVEL SECURITY",
            f"{table}: row-level security is not forced",
            "unforced",
        )
        if table != OPERATOR_TABLE:
            yield Mutant(
                "tables",
                f"ALTER TABLE {t} ALTER operator_id DROP NOT NULL",
                f"{table}: operator_id may be empty",
                "empty",
            )
        rule = f"CREATE RULE away AS ON DELETE TO {t} DO INSTEAD NOTHING"
        yield Mutant("tables", rule, f"{table}: a rule rewrites", "rule")
        view = f"CREATE VIEW {table}_view AS SELECT * FROM {t}; ALTER VIEW {table}_view OWNER TO {OWNER_ROLE}"
        yield Mutant("tables", view, f"{table}_view: this view reads as its owner", "view")
        kept = f"CREATE MATERIALIZED VIEW {table}_kept AS SELECT * FROM {t}"
        yield Mutant("tables", kept, f"{table}_kept: a materialized view keeps rows", "kept")
        heir = f"CREATE TABLE {table}_heir () INHERITS ({t}); ALTER TABLE {table}_heir OWNER TO {OWNER_ROLE}"
        yield Mutant("tables", heir, f"{table}_heir: neither isolated nor on the list", "heir")
        for role in (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE):
            yield Mutant(
                "tables", f"ALTER TABLE {t} OWNER TO {role}", f"{table}: belongs to {role}", f"owner {role}"
            )
    for table in GLOBAL_TABLES:
        yield Mutant(
            "tables",
            f'ALTER TABLE "{table}" ADD operator_id uuid',
            f"{table}: stands on the list of global",
            "global",
        )
        yield Mutant(
            "tables", f'DROP TABLE "{table}" CASCADE', f"{table}: expected and not there", f"drop {table}"
        )


def of_references(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor,
        """
        SELECT k.conname::text, c.relname::text, t.relname::text, cardinality(k.conkey),
            (SELECT attname::text FROM pg_attribute WHERE attrelid = k.conrelid AND attnum = k.conkey[cardinality(k.conkey)]),
            (SELECT attname::text FROM pg_attribute WHERE attrelid = k.confrelid AND attnum = k.confkey[cardinality(k.confkey)])
        FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid JOIN pg_class t ON t.oid = k.confrelid
        WHERE k.contype = 'f' AND (t.relname = 'accounts_operator' OR cardinality(k.conkey) = 2)
            AND c.relnamespace = 'public'::regnamespace ORDER BY 2, 1
        """,
    )
    for name, table, target, columns, column, key in rows:
        drop = f'ALTER TABLE "{table}" DROP CONSTRAINT "{name}"'
        pair = ("operator_id, " if columns == 2 else "") + column
        to = ("operator_id, " if columns == 2 else "") + key
        again = (
            f'ALTER TABLE "{table}" ADD CONSTRAINT "{name}" FOREIGN KEY ({pair}) REFERENCES "{target}" ({to})'
        )
        says = f"{table}.{column}: "
        yield Mutant("references", drop, says, "dropped")
        yield Mutant("references", f"{drop}; {again} NOT VALID", says, "never validated")
        yield Mutant("references", f"{drop}; {again} NOT ENFORCED", says, "not enforced")
        if columns == 2 and key == "id":
            short = f'ALTER TABLE "{table}" ADD CONSTRAINT "{name}" FOREIGN KEY ({column}) REFERENCES "{target}" (id)'
            yield Mutant("references", f"{drop}; {short}", says, "short")
            yield Mutant(
                "references",
                short.replace(f'"{name}"', f'"{name}_short"'),
                f"{table}: the key {name}_short reaches {target} without the operator",
                "shorter too",
            )
    for table in sorted({row[1] for row in rows}):
        off = f'ALTER TABLE "{table}" DISABLE TRIGGER ALL'
        yield Mutant("references", off, f"{table}: the key ", f"unchecked {table}")


def of_unique_keys(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor,
        """
        SELECT c.relname::text, k.conname::text FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
        WHERE k.contype IN ('u', 'p') AND c.relnamespace = 'public'::regnamespace AND c.relrowsecurity
            AND (SELECT attname FROM pg_attribute WHERE attrelid = c.oid AND attnum = k.conkey[1]) = 'operator_id'
            AND (k.contype = 'p' OR k.conname = c.relname || '_operator_id') ORDER BY 1
        """,
    )
    for table, name in rows:
        drop = f'ALTER TABLE "{table}" DROP CONSTRAINT "{name}" CASCADE'
        yield Mutant("unique keys", drop, f"{table}: no unique key (operator_id", f"drop {table}")
    tables = rows_of(
        cursor,
        "SELECT c.relname::text, a.attname::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid "
        "WHERE c.relrowsecurity AND c.relnamespace = 'public'::regnamespace AND a.attnum > 0 AND NOT a.attisdropped "
        "AND a.attname <> 'operator_id' AND a.atttypid = ANY (ARRAY['uuid', 'text', 'varchar', 'date', 'int4', 'int8']::regtype[]) "
        "ORDER BY 1, 2",
    )
    for table, column in tables:
        for keys, group in ((f'"{column}"', "alone"), (f'"{column}", operator_id', "first")):
            is_named = (table, (column,)) in KEYS_ACROSS_OPERATORS and group == "alone"
            if is_named or (table == OPERATOR_TABLE and group == "first"):
                continue
            sql = f'CREATE UNIQUE INDEX "{table}_{column}_x" ON "{table}" ({keys})'
            says = f"{table}: the unique key {f'{table}_{column}_x'[:63]} "
            yield Mutant("unique keys", sql, says, group)


def of_triggers(cursor: Any) -> Iterator[Mutant]:
    """Guards of what never changes, and those that tell the audit; not those that tell the feed, which isolate nothing."""
    rows = rows_of(
        cursor,
        "SELECT c.relname::text, t.tgname::text, p.proname::text, c.relname || '_' || right(t.tgname, 9) "
        "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE NOT t.tgisinternal AND p.proname <> 'billing_note_row' ORDER BY 1, 2",
    )
    for table, name, function, _ in rows:
        is_teller = function in {"accounts_note_row", "accounts_chain_entry"}
        says = (
            "entries are not chained" if function == "accounts_chain_entry" else f"{table}: trigger {name} "
        )
        kind = "tellers" if is_teller else "guards"
        for group, sql in {
            "off": f'ALTER TABLE "{table}" DISABLE TRIGGER "{name}"',
            "ordinary": f'ALTER TABLE "{table}" ENABLE TRIGGER "{name}"',
            "replica": f'ALTER TABLE "{table}" ENABLE REPLICA TRIGGER "{name}"',
            "dropped": f'DROP TRIGGER "{name}" ON "{table}"',
        }.items():
            yield Mutant(kind, sql, says, f"{group} {name}")


def of_functions(cursor: Any) -> Iterator[Mutant]:
    rows = rows_of(
        cursor,
        "SELECT p.proname::text, p.oid::regprocedure::text, p.prosecdef, pg_get_functiondef(p.oid), p.prosrc, "
        "p.prorettype = 'trigger'::regtype, array_to_string(ARRAY(SELECT 'NULL::' || format_type(u, NULL) "
        "FROM unnest(p.proargtypes) u), ', ') FROM pg_proc p WHERE p.pronamespace = 'public'::regnamespace "
        f"AND p.proname IN ({', '.join(map(repr, FUNCTIONS))}) ORDER BY 1",
    )
    for name, signature, definer, text, source, is_trigger, _ in rows:
        says, on = f"Function {name} ", f"FUNCTION {signature}"
        changed = text.replace(source, source.rstrip() + " ")
        yield Mutant("functions", changed if changed != text else text.replace(source, source + "\n"), says)
        yield Mutant("functions", f"DROP {on} CASCADE", says)
        for role in (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE):
            yield Mutant("functions", f"ALTER {on} OWNER TO {role}", says)
        yield Mutant("functions", f"ALTER {on} SECURITY {'INVOKER' if definer else 'DEFINER'}", says)
        held = FUNCTIONS[name].may_run
        for role in GRANTEES:
            if role in held:
                yield Mutant("functions", f"REVOKE EXECUTE ON {on} FROM {role}", says)
            else:
                yield Mutant("functions", f"GRANT EXECUTE ON {on} TO {role}", says)
        if definer:
            yield Mutant("functions", f"ALTER {on} RESET search_path", says)
            yield Mutant("functions", f"ALTER {on} SET search_path = public, pg_catalog", says)
        if is_trigger:
            empty = f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'"
            yield Mutant("functions", empty, says)
    for security in ("DEFINER", "INVOKER"):
        peek = f"CREATE FUNCTION peek() RETURNS bigint LANGUAGE sql SECURITY {security} AS 'SELECT 1::bigint'"
        yield Mutant("functions", peek, "Function peek is one too many")
    twin = "CREATE FUNCTION accounts_memberships(text) RETURNS bigint LANGUAGE sql AS 'SELECT 1::bigint'"
    yield Mutant("functions", twin, "Function accounts_memberships is one too many")


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
