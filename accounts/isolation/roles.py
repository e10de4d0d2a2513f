"""Roles, what they own and belong to, and what each may do."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from accounts.isolation.wanted import (
    APPEND_ONLY,
    ASIDE,
    DEFINER_FUNCTIONS,
    LOG_FILLED_BY_DATABASE,
    LOG_TABLE,
    MIGRATE_ROLE,
    NAME,
    OURS,
    ROW_PRIVILEGES,
    SYSTEM_GRANTS,
    Audit,
    Expected,
    rows_of,
)
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SYSTEM_ROLE


def audit_functions(cursor: Any, found: Audit) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT p.proname::text, p.prosecdef, coalesce(p.proconfig, '{{}}'), o.rolname::text,
            (SELECT array_agg(DISTINCT coalesce(r.rolname::text, 'PUBLIC'))
                FROM aclexplode(coalesce(p.proacl, acldefault('f', p.proowner))) a
                LEFT JOIN pg_roles r ON r.oid = a.grantee)
        FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace JOIN pg_roles o ON o.oid = p.proowner
        WHERE {OURS} AND NOT EXISTS (
            SELECT 1 FROM pg_depend d WHERE d.classid = 'pg_proc'::regclass AND d.objid = p.oid AND d.deptype = 'e'
        )
        """,
    )
    definers = sorted(row[0] for row in rows if row[1])
    found.need(
        definers == sorted(DEFINER_FUNCTIONS),
        f"Functions that run as their owner are {', '.join(definers)}; expected {', '.join(sorted(DEFINER_FUNCTIONS))}.",
    )
    for name, definer, config, owner, grantees in rows:
        found.need(owner == OWNER_ROLE, f"Function {name} belongs to {owner}, not to {OWNER_ROLE}.")
        if definer:
            found.need(config == ["search_path=pg_catalog"], f"Function {name} has no fixed search path.")
            found.need(
                set(grantees) == {APP_ROLE, OWNER_ROLE},
                f"Function {name} may be run by {', '.join(sorted(grantees))}; expected {APP_ROLE} and its owner.",
            )
    found.counts["functions"] = len(rows)
    found.counts["functions that run as their owner"] = len(definers)


def audit_roles(cursor: Any, found: Audit) -> None:
    ours = [OWNER_ROLE, MIGRATE_ROLE, APP_ROLE, SYSTEM_ROLE]
    names = ", ".join(f"'{name}'" for name in ours)
    roles = {
        row[0]: row[1:]
        for row in rows_of(
            cursor,
            "SELECT rolname::text, rolcanlogin, rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication "
            f"FROM pg_roles WHERE rolname IN ({names})",
        )
    }
    for name in ours:
        can_sign_in, powerful = roles.get(name, (None, None))
        found.need(can_sign_in is not None, f"Role {name} is missing.")
        found.need(
            can_sign_in is None or can_sign_in == (name != OWNER_ROLE), f"Role {name}: login is wrong."
        )
        found.need(not powerful, f"Role {name} may bypass row security, or make roles or databases.")
    memberships = rows_of(
        cursor,
        "SELECT m.rolname::text, g.rolname::text, a.admin_option, a.inherit_option, a.set_option FROM pg_auth_members a "
        "JOIN pg_roles m ON m.oid = a.member JOIN pg_roles g ON g.oid = a.roleid "
        f"WHERE m.rolname IN ({names}) OR g.rolname IN ({names})",
    )
    only = (MIGRATE_ROLE, OWNER_ROLE, False, False, True)
    found.need(
        only in memberships, f"{MIGRATE_ROLE} can't act as {OWNER_ROLE}, or does so without being asked."
    )
    for member, group, *options in memberships:
        found.need(
            (member, group, *options) == only, f"{member} is a member of {group} with options {options}."
        )
    # Anything in this database, and every shared object.
    owned = rows_of(
        cursor,
        "SELECT r.rolname::text, count(*) FROM pg_shdepend d JOIN pg_roles r ON r.oid = d.refobjid "
        "WHERE d.refclassid = 'pg_authid'::regclass AND d.deptype = 'o' AND d.dbid IN "
        "(0, (SELECT oid FROM pg_database WHERE datname = current_database())) "
        f"AND r.rolname IN ('{APP_ROLE}', '{SYSTEM_ROLE}', '{MIGRATE_ROLE}') GROUP BY 1",
    )
    for name, count in owned:
        found.need(not count, f"Role {name} owns {count} objects of the database.")
    found.counts["roles"] = len(roles)


def audit_table_privileges(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, c.relkind::text, coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type, a.is_grantable
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace,
            aclexplode(c.relacl) a LEFT JOIN pg_roles r ON r.oid = a.grantee
        WHERE {OURS} AND a.grantee <> c.relowner
        """,
    )
    held: dict[tuple[str, str], set[str]] = defaultdict(set)
    for table, kind, role, privilege, grantable in rows:
        held[table, role].add(privilege)
        found.need(role in {APP_ROLE, SYSTEM_ROLE}, f"{table}: {role} holds {privilege}.")
        found.need(not grantable, f"{table}: {role} may pass {privilege} on.")
        found.need(kind != "S", f"{table}: {role} holds {privilege} on a sequence.")
    for (table, role), privileges in sorted(held.items()):
        if role == SYSTEM_ROLE:
            allowed = SYSTEM_GRANTS.get(table, set())
        elif table == LOG_TABLE:
            allowed = {"SELECT"}
        else:
            allowed = {"SELECT", "INSERT"} if table in APPEND_ONLY else ROW_PRIVILEGES
        too_many = ", ".join(sorted(privileges - allowed))
        found.need(not too_many, f"{table}: {role} holds {too_many}.")
    for table in sorted(wanted.tenant):
        found.need("SELECT" in held[table, APP_ROLE], f"{table}: {APP_ROLE} can't read it.")
    for table, allowed in SYSTEM_GRANTS.items():
        missing = ", ".join(sorted(allowed - held[table, SYSTEM_ROLE]))
        found.need(not missing, f"{table}: {SYSTEM_ROLE} lacks {missing}.")
    found.counts["privileges on tables"] = len(rows)


def audit_column_privileges(cursor: Any, found: Audit) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, a.attname::text, coalesce(r.rolname::text, 'PUBLIC'), p.privilege_type
        FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid JOIN pg_namespace n ON n.oid = c.relnamespace,
            aclexplode(a.attacl) p LEFT JOIN pg_roles r ON r.oid = p.grantee
        WHERE {OURS}
        """,
    )
    columns = rows_of(
        cursor,
        "SELECT attname::text FROM pg_attribute "
        f"WHERE attrelid = to_regclass('public.{LOG_TABLE}') AND attnum > 0 AND NOT attisdropped",
    )
    needed = {
        (LOG_TABLE, name, APP_ROLE, "INSERT") for (name,) in columns if name not in LOG_FILLED_BY_DATABASE
    }
    for table, column, role, privilege in sorted(set(rows) - needed):
        found.gaps.append(f"{table}.{column}: {role} holds {privilege} on this column.")
    for table, column, role, privilege in sorted(needed - set(rows)):
        found.gaps.append(f"{table}.{column}: {role} lacks {privilege} on this column.")
    found.counts["privileges on columns"] = len(rows)


def audit_surroundings(cursor: Any, found: Audit) -> None:
    schemas = rows_of(cursor, f"SELECT n.nspname::text FROM pg_namespace n WHERE {OURS}")
    found.need({*ASIDE} <= {name for (name,) in schemas}, "A schema of the rebuild is missing.")
    for (name,) in schemas:
        found.need(name == "public" or name in ASIDE, f"Schema {name} is not one of ours.")
    rows = rows_of(
        cursor,
        f"""
        SELECT 'Schema ' || n.nspname, coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type, n.nspowner = a.grantee
        FROM pg_namespace n, aclexplode(coalesce(n.nspacl, acldefault('n', n.nspowner))) a
            LEFT JOIN pg_roles r ON r.oid = a.grantee WHERE {OURS}
        UNION ALL
        SELECT 'The database', coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type, d.datdba = a.grantee
        FROM pg_database d, aclexplode(coalesce(d.datacl, acldefault('d', d.datdba))) a
            LEFT JOIN pg_roles r ON r.oid = a.grantee WHERE d.datname = current_database()
        """,
    )
    allowed = {("Schema public", role, "USAGE") for role in (APP_ROLE, SYSTEM_ROLE)} | {
        ("The database", role, "CONNECT") for role in (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE)
    }
    allowed |= {(f"Schema {name}", APP_ROLE, "USAGE") for name, fills in ASIDE.items() if fills}
    for what, role, privilege, is_owner in rows:
        found.need(is_owner or (what, role, privilege) in allowed, f"{what}: {role} holds {privilege}.")
    found.need(
        not rows_of(cursor, "SELECT 1 FROM pg_default_acl"),
        "There are default privileges: what is made later would be granted without being named.",
    )
    # A default for the setting that the policies read would be a scope that nobody opened.
    settings = rows_of(
        cursor,
        "SELECT coalesce(r.rolname::text, 'the database'), s.setconfig FROM pg_db_role_setting s "
        "LEFT JOIN pg_roles r ON r.oid = s.setrole "
        "WHERE s.setdatabase IN (0, (SELECT oid FROM pg_database WHERE datname = current_database()))",
    )
    for whose, values in settings:
        found.gaps.append(f"Settings are kept for {whose}: {', '.join(values)}.")
