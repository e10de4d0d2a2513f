"""Every weakening of the isolation that can be said in SQL, drawn from what the catalogue holds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from accounts.isolation.granted import FUNCTIONS
from accounts.isolation.wanted import KEYS_ACROSS_OPERATORS, OPERATOR_TABLE, rows_of
from accounts.tenancy import APP_ROLE, GLOBAL_TABLES, OWNER_ROLE, SYSTEM_ROLE
from tests.drills.isolation.mutants import granting
from tests.drills.isolation.mutants.database import GRANTEES, MIGRATE_ROLE, Mutant


def every_mutant(cursor: Any) -> Iterator[Mutant]:
    yield from of_policies(cursor)
    yield from of_tables(cursor)
    yield from of_references(cursor)
    yield from of_unique_keys(cursor)
    yield from of_triggers(cursor)
    yield from of_functions(cursor)
    yield from granting.of_privileges(cursor)
    yield from granting.of_columns(cursor)
    yield from granting.of_sequences(cursor)
    yield from granting.of_roles(cursor)
    yield from granting.of_surroundings(cursor)


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
