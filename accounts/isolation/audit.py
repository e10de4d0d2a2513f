"""The audit of isolation: what the PostgreSQL catalogue says, held against what the models need. Reads only.

It trusts no migration: a policy dropped by hand, a key forgotten in a new table or a grant too many is a gap, by name.
"""

from __future__ import annotations

from typing import Any

from accounts.isolation import audited, keys, roles, tables
from accounts.isolation.wanted import Audit, expected


def audit(cursor: Any) -> Audit:
    """Every gap in the isolation of the database that this cursor is connected to, its open transaction included.

    Any role may ask: the catalogue is readable to all, and no row of any table is read.
    """
    found, wanted = Audit(), expected(cursor)
    tables.audit_tables(cursor, found, wanted)
    tables.audit_policies(cursor, found, wanted)
    keys.audit_references(cursor, found, wanted)
    keys.audit_unique_keys(cursor, found, wanted)
    tables.audit_triggers(cursor, found)
    audited.audit_audited(cursor, found, wanted)
    roles.audit_functions(cursor, found)
    roles.audit_roles(cursor, found)
    roles.audit_table_privileges(cursor, found)
    roles.audit_column_privileges(cursor, found)
    roles.audit_surroundings(cursor, found)
    return found
