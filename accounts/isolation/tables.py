"""Tables and views, row-level security and its policies, and the triggers on what never changes."""

from __future__ import annotations

from typing import Any

from accounts.isolation.wanted import (
    APP_CONDITION,
    BEFORE_SCOPE_CONDITION,
    GUARDED,
    NAME,
    OPERATOR_TABLE,
    OURS,
    READABLE_BEFORE_SCOPE,
    SYSTEM_GRANTS,
    Audit,
    Expected,
    rows_of,
)
from accounts.tenancy import APP_ROLE, GLOBAL_TABLES, OWNER_ROLE, SYSTEM_ROLE


def audit_tables(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, c.relkind::text, c.relrowsecurity, c.relforcerowsecurity, r.rolname::text,
            coalesce('security_invoker=true' = ANY (c.reloptions), false),
            (SELECT attnotnull FROM pg_attribute WHERE attrelid = c.oid AND attname = 'operator_id' AND NOT attisdropped),
            (SELECT count(*) FROM pg_rewrite WHERE ev_class = c.oid)
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_roles r ON r.oid = c.relowner
        WHERE {OURS} AND c.relkind IN ('r', 'p', 'f', 'v', 'm', 'S')
        """,
    )
    tables = {row[0]: row for row in rows if row[1] in {"r", "p", "f"}}
    views = [row for row in rows if row[1] == "v"]
    for name, kind, _, _, owner, invoker, _, rules in rows:
        found.need(owner == OWNER_ROLE, f"{name}: belongs to {owner}, not to {OWNER_ROLE}.")
        found.need(kind != "m", f"{name}: a materialized view keeps rows that no policy guards.")
        found.need(kind != "v" or invoker, f"{name}: this view reads as its owner; make it security_invoker.")
        found.need(kind in {"v", "m"} or not rules, f"{name}: a rule rewrites statements on this table.")
    for name, (_, kind, enabled, forced, _, _, not_null, _) in tables.items():
        if name in wanted.tenant:
            found.need(
                kind == "r", f"{name}: a tenant table is an ordinary table; this one is of kind {kind}."
            )
            found.need(enabled, f"{name}: row-level security is not enabled.")
            found.need(forced, f"{name}: row-level security is not forced, so its owner sees every row.")
            found.need(name == OPERATOR_TABLE or not_null, f"{name}: operator_id may be empty.")
        elif name in GLOBAL_TABLES:
            found.need(
                not_null is None,
                f"{name}: stands on the list of global tables and has an operator_id.",
            )
        else:
            found.gaps.append(f"{name}: neither isolated nor on the list of global tables.")
    for name in sorted((wanted.tenant.keys() | GLOBAL_TABLES.keys()) - tables.keys()):
        found.gaps.append(f"{name}: expected and not there.")
    found.counts["tables isolated"] = sum(row[2] and row[3] for row in tables.values())
    found.counts["tables global, by the list"] = len(tables.keys() & GLOBAL_TABLES.keys())
    found.counts["views"] = len(views)


def audit_policies(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, p.polname::text, p.polcmd::text, p.polpermissive,
            (SELECT array_agg(coalesce(r.rolname::text, 'PUBLIC')) FROM unnest(p.polroles) AS role (oid)
                LEFT JOIN pg_roles r ON r.oid = role.oid),
            pg_get_expr(p.polqual, p.polrelid), pg_get_expr(p.polwithcheck, p.polrelid)
        FROM pg_policy p JOIN pg_class c ON c.oid = p.polrelid JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE {OURS}
        """,
    )
    there: dict[tuple[str, str], tuple[Any, ...]] = {(row[0], row[1]): row[2:] for row in rows}
    needed: dict[tuple[str, str], tuple[Any, ...]] = {}
    for table, column in wanted.tenant.items():
        condition = APP_CONDITION.format(column)
        readable = BEFORE_SCOPE_CONDITION if table in READABLE_BEFORE_SCOPE else "{0}"
        needed[table, "app"] = ("*", True, [APP_ROLE], readable.format(condition), condition)
        needed[table, "owner"] = ("*", True, [OWNER_ROLE], "true", "true")
        if table in SYSTEM_GRANTS:
            needed[table, "system"] = ("*", True, [SYSTEM_ROLE], "true", "true")
    for key in sorted(needed.keys() | there.keys()):
        table, name = key
        if key not in there:
            found.gaps.append(f"{table}: policy {name} is missing.")
        elif key not in needed:
            found.gaps.append(f"{table}: policy {name} is one too many.")
        else:
            found.need(
                there[key] == needed[key],
                f"{table}: policy {name} reads {there[key]}, not {needed[key]}.",
            )
    found.counts["policies"] = len(there)


def audit_triggers(cursor: Any, found: Audit) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, t.tgname::text, t.tgenabled::text, t.tgtype::integer, t.tgqual IS NULL AND t.tgattr::text = '', p.prosrc
        FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
        JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE NOT t.tgisinternal AND {OURS}
        """,
    )
    triggers = {(row[0], row[1]): row[2:] for row in rows}
    # Bits of tgtype: 2 before, 8 delete, 16 update, 32 truncate; bit 1 (each row) unset means once a statement.
    for table in sorted(GUARDED):
        for suffix, kind in (("no_change", 2 | 8 | 16), ("no_truncate", 2 | 32)):
            name = f"{table}_{suffix}"
            enabled, is_kind, always, source = triggers.get((table, name), ("", 0, False, ""))
            found.need(enabled, f"{table}: trigger {name} is missing.")
            found.need(enabled in {"", "A"}, f"{table}: trigger {name} is not enabled always.")
            refuses = is_kind == kind and always and "RAISE EXCEPTION" in source and "RETURN" not in source
            found.need(
                not enabled or refuses, f"{table}: trigger {name} does not refuse every such statement."
            )
    found.counts["triggers"] = len(triggers)
