"""Whether isolation binds the role of a connection at all: policies say nothing to whoever stands above them."""

from __future__ import annotations

from typing import Any

from accounts.tenancy.names import OWNER_ROLE

# Who signed in counts beside who acts: a session can go back to the role that it began as.
STANDING_SQL = f"""
SELECT session_user::text, current_user::text, bool_or(r.rolsuper), bool_or(r.rolbypassrls),
    bool_or(EXISTS (
        SELECT 1 FROM pg_shdepend d
        WHERE d.refclassid = 'pg_authid'::regclass AND d.refobjid = r.oid AND d.deptype = 'o'
            AND d.dbid IN (0, (SELECT oid FROM pg_database WHERE datname = current_database()))
    )),
    bool_or(r.rolname = '{OWNER_ROLE}' OR EXISTS (
        SELECT 1 FROM pg_roles o WHERE o.rolname = '{OWNER_ROLE}' AND pg_has_role(r.oid, o.oid, 'MEMBER')
    )),
    bool_or(EXISTS (
        SELECT 1 FROM pg_roles o WHERE (o.rolsuper OR o.rolbypassrls) AND o.oid <> r.oid AND pg_has_role(r.oid, o.oid, 'MEMBER')
    ))
FROM pg_roles r WHERE r.rolname IN (session_user, current_user)
"""


def above_isolation(cursor: Any, role: str) -> list[str]:
    """What is wrong with the role that this cursor signed in as, in words that follow its name; empty when all holds.

    ``role``: the one it must be. Reads the catalogue only, so that any role may ask.
    """
    cursor.execute(STANDING_SQL)
    signed_in, acting, is_super, bypasses, owns, is_owner, may_rise = cursor.fetchone()
    checks = {
        "is a superuser": is_super,
        "bypasses row-level security": bypasses and not is_super,
        "owns tables or other objects of the database": owns,
        f"is a member of {OWNER_ROLE}": is_owner and not is_super,
        "may become a role that row-level security does not bind": may_rise and not is_super,
        f"is not {role}": (signed_in, acting) != (role, role),
    }
    return [words for words, holds in checks.items() if holds]
