"""Roles, what they own and belong to, and what each may do."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from accounts.isolation.granted import EXTENSIONS, FUNCTIONS, expected_privileges
from accounts.isolation.wanted import (
    ASIDE,
    LOG_FILLED_BY_DATABASE,
    LOG_TABLE,
    MIGRATE_ROLE,
    NAME,
    NAME_OF,
    OURS,
    Audit,
    rows_of,
)
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SYSTEM_ROLE


def audit_functions(cursor: Any, found: Audit) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME_OF.format("p", "n").replace("relname", "proname")}, p.prosecdef, coalesce(p.proconfig, '{{}}'), o.rolname::text,
            left(encode(sha256(convert_to(p.prosrc, 'UTF8')), 'hex'), 12),
            (SELECT array_agg(DISTINCT coalesce(r.rolname::text, 'PUBLIC'))
                FROM aclexplode(coalesce(p.proacl, acldefault('f', p.proowner))) a
                LEFT JOIN pg_roles r ON r.oid = a.grantee)
        FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace JOIN pg_roles o ON o.oid = p.proowner
        WHERE {OURS} AND NOT EXISTS (
            SELECT 1 FROM pg_depend d WHERE d.classid = 'pg_proc'::regclass AND d.objid = p.oid AND d.deptype = 'e'
        )
        """,
    )
    there = [row[0] for row in rows]
    for name in sorted(FUNCTIONS.keys() - set(there)):
        found.gaps.append(f"Function {name} is missing.")
    for name, definer, config, owner, source, grantees in rows:
        wanted = FUNCTIONS.get(name)
        if definer:
            found.need(config == ["search_path=pg_catalog"], f"Function {name} has no fixed search path.")
        if wanted is None or there.count(name) > 1:
            found.gaps.append(f"Function {name} is one too many.")
            continue
        found.need(owner == OWNER_ROLE, f"Function {name} belongs to {owner}, not to {OWNER_ROLE}.")
        found.need(
            definer == wanted.runs_as_owner,
            f"Function {name} runs as {'its owner' if definer else 'whoever calls it'}.",
        )
        found.need(
            source == wanted.source,
            f"Function {name} reads otherwise than the one that was reviewed: {source}, not {wanted.source}.",
        )
        found.need(
            set(grantees or ()) == wanted.may_run,
            f"Function {name} may be run by {', '.join(sorted(grantees or ()))}; expected {', '.join(sorted(wanted.may_run))}.",
        )
    found.counts["functions"] = len(rows)
    found.counts["functions that run as their owner"] = sum(row[1] for row in rows)


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


def audit_table_privileges(cursor: Any, found: Audit) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, c.relkind::text, coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type, coalesce(a.is_grantable, false)
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
            LEFT JOIN aclexplode(c.relacl) a ON a.grantee <> c.relowner LEFT JOIN pg_roles r ON r.oid = a.grantee
        WHERE {OURS} AND c.relkind IN ('r', 'p', 'f', 'v', 'm', 'S')
        """,
    )
    held: dict[tuple[str, str], set[str]] = defaultdict(set)
    sequences = {row[0] for row in rows if row[1] == "S"}
    for table, _, role, privilege, grantable in rows:
        # With no privilege at all, what each role should hold is still asked.
        held[table, APP_ROLE], held[table, SYSTEM_ROLE]
        if privilege:
            held[table, role].add(privilege)
            found.need(not grantable, f"{table}: {role} may pass {privilege} on.")
    for (table, role), privileges in sorted(held.items()):
        wanted = frozenset() if table in sequences else expected_privileges(table, role)
        too_many, missing = ", ".join(sorted(privileges - wanted)), ", ".join(sorted(wanted - privileges))
        found.need(not too_many, f"{table}: {role} holds {too_many}.")
        found.need(not missing, f"{table}: {role} lacks {missing}.")
    found.counts["privileges on tables"] = sum(map(len, held.values()))


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
    held = {(what, role, privilege) for what, role, privilege, is_owner in rows if not is_owner}
    for what, role, privilege in sorted(held - allowed):
        found.gaps.append(f"{what}: {role} holds {privilege}.")
    for what, role, privilege in sorted(allowed - held):
        found.gaps.append(f"{what}: {role} lacks {privilege}.")
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
    audit_server(cursor, found)


def audit_server(cursor: Any, found: Audit) -> None:
    """What reaches past tables: extensions, settings that one may change, other servers, rows sent or kept elsewhere."""
    extensions = {name for (name,) in rows_of(cursor, "SELECT extname::text FROM pg_extension")}
    for name in sorted(extensions ^ EXTENSIONS):
        found.gaps.append(f"Extension {name} is {'one too many' if name in extensions else 'missing'}.")
    settings = rows_of(
        cursor,
        "SELECT p.parname, coalesce(r.rolname::text, 'PUBLIC'), a.privilege_type "
        "FROM pg_parameter_acl p, aclexplode(p.paracl) a LEFT JOIN pg_roles r ON r.oid = a.grantee "
        "WHERE r.oid IS NULL OR NOT r.rolsuper",
    )
    for setting, role, privilege in settings:
        found.gaps.append(f"{role} may {privilege} {setting}, which is a superuser's to change.")
    for what, table in (
        ("event trigger", "pg_event_trigger"),
        ("publication", "pg_publication"),
        ("foreign server", "pg_foreign_server"),
        ("large object", "pg_largeobject_metadata"),
    ):
        (count,) = rows_of(cursor, f"SELECT count(*) FROM {table}")[0]
        found.need(not count, f"There is a {what}, and none of ours: {count}.")
