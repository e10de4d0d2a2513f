"""Every table that holds rows of operators, as the database's own catalogue has them, in the order in which they can be emptied.

On a cursor of the tables' owner. References, also those among the rows of one table, are read from the catalogue, so that a
new table needs no line here.
"""

from __future__ import annotations

from dataclasses import dataclass
from graphlib import TopologicalSorter
from typing import Any
from uuid import UUID

OPERATOR_TABLE, PERSON_TABLE = "accounts_operator", "accounts_user"
# To the very end stays what says that the operator is closed, with whoever asked for it.
LAST = "accounts_closing"

_TABLES = """
SELECT c.oid::bigint, n.nspname::text, c.relname::text, EXISTS (
        SELECT 1 FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attname = 'operator_id' AND NOT a.attisdropped
    ), coalesce((
        SELECT json_agg(json_build_array(t.tgname, t.tgenabled) ORDER BY t.tgname) FROM pg_trigger t
        WHERE t.tgrelid = c.oid AND NOT t.tgisinternal AND t.tgenabled <> 'D'
    ), '[]')
FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
WHERE c.relkind IN ('r', 'p') AND n.nspname !~ '^pg_' AND n.nspname <> 'information_schema'
ORDER BY 2, 3
"""
_NAMES = """ARRAY(
    SELECT a.attname::text FROM unnest(r.{key}) WITH ORDINALITY k (number, place)
    JOIN pg_attribute a ON a.attrelid = r.{table} AND a.attnum = k.number ORDER BY k.place)"""
_REFERENCES = f"""
SELECT r.conrelid::bigint, r.confrelid::bigint, {_NAMES.format(key="conkey", table="conrelid")},
    {_NAMES.format(key="confkey", table="confrelid")}
FROM pg_constraint r WHERE r.contype = 'f'
"""


@dataclass(frozen=True, slots=True)
class Stored:
    """A table. ``name`` has its schema where that is not public. ``triggers``: each that is on, and in which way.

    ``own``: the references of its rows among themselves, as pairs of (column, column referred to).
    """

    name: str
    sql: str
    owner_column: str
    triggers: tuple[tuple[str, str], ...]
    own: tuple[tuple[tuple[str, str], ...], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """``first``: what can be emptied bit by bit; then ``last``, the operator's own row at its end. Referring before referred."""

    first: tuple[Stored, ...]
    last: tuple[Stored, ...]

    @property
    def all(self) -> tuple[Stored, ...]:
        return self.first + self.last

    def table(self, name: str) -> Stored:
        return next(one for one in self.all if one.name == name)


def plan(cursor: Any) -> Plan:
    """What is to be emptied, in order. graphlib.CycleError when tables refer to each other in a ring."""
    cursor.execute(_TABLES)
    rows = cursor.fetchall()
    cursor.execute(_REFERENCES)
    references = cursor.fetchall()
    tables = {
        oid: _stored(oid, schema, name, triggers, references)
        for oid, schema, name, of_operators, triggers in rows
        if of_operators or (schema, name) == ("public", OPERATOR_TABLE)
    }
    referred: dict[int, set[int]] = {oid: set() for oid in tables}
    for table, target, _columns, _others in references:
        if table in tables and target in tables and table != target:
            referred[table].add(target)
    order = list(TopologicalSorter(referred).static_order())[::-1]
    last = _reached({oid for oid in tables if tables[oid].name == LAST}, referred)
    return Plan(
        tuple(tables[oid] for oid in order if oid not in last),
        tuple(tables[oid] for oid in order if oid in last),
    )


def _stored(oid: int, schema: str, name: str, triggers: list[list[str]], references: list[Any]) -> Stored:
    own = [
        tuple(zip(columns, others, strict=True))
        for table, target, columns, others in references
        if table == target == oid
    ]
    is_public = schema == "public"
    return Stored(
        name=name if is_public else f"{schema}.{name}",
        sql=f'"{schema}"."{name}"',
        owner_column="id" if is_public and name == OPERATOR_TABLE else "operator_id",
        triggers=tuple((trigger, mode) for trigger, mode in triggers),
        own=tuple(own),
    )


def _reached(start: set[int], referred: dict[int, set[int]]) -> set[int]:
    found, new = set(start), set(start)
    while new:
        new = set().union(*(referred[one] for one in new)) - found
        found |= new
    return found


def has_rows(cursor: Any, table: Stored, operator_id: UUID) -> bool:
    """Whether there is any: no lock is taken to empty what is empty."""
    cursor.execute(
        f'SELECT EXISTS (SELECT 1 FROM {table.sql} WHERE "{table.owner_column}" = %s)', [operator_id]
    )
    return bool(cursor.fetchone()[0])


def count(cursor: Any, table: Stored, operator_id: UUID) -> int:
    cursor.execute(f'SELECT count(*) FROM {table.sql} WHERE "{table.owner_column}" = %s', [operator_id])
    return cursor.fetchone()[0]


def delete_some(cursor: Any, table: Stored, operator_id: UUID, most: int) -> int:
    """Delete up to so many rows of the operator's that no other row of the same table refers to; gives how many."""
    alone = "".join(
        f" AND NOT EXISTS (SELECT 1 FROM {table.sql} other WHERE other.operator_id = own.operator_id AND "
        + " AND ".join(f'other."{column}" = own."{target}"' for column, target in pairs)
        + ")"
        for pairs in table.own
    )
    cursor.execute(
        f"DELETE FROM {table.sql} WHERE ctid = ANY (ARRAY("
        f'SELECT own.ctid FROM {table.sql} own WHERE own."{table.owner_column}" = %s{alone} LIMIT %s))',
        [operator_id, most],
    )
    return cursor.rowcount


def delete_people(cursor: Any, people: list[UUID]) -> int:
    """Delete of these people who work for nobody any more and are not the service's, with how they signed in."""
    cursor.execute(_TABLES)
    names = {
        oid: (f'"{schema}"."{name}"', tenant) for oid, schema, name, tenant, _triggers in cursor.fetchall()
    }
    cursor.execute(_REFERENCES)
    pointing = [
        (*names[table], column)
        for table, target, (column, *_more), _others in cursor.fetchall()
        if names[target][0] == f'"public"."{PERSON_TABLE}"'
    ]
    wanted = "".join(
        f' AND NOT EXISTS (SELECT 1 FROM {table} t WHERE t."{column}" = u.id)'
        for table, is_tenant, column in pointing
        if is_tenant
    )
    cursor.execute(
        f"SELECT u.id FROM {PERSON_TABLE} u WHERE u.id = ANY(%s) AND NOT u.is_support{wanted} FOR UPDATE",
        [people],
    )
    gone = [user_id for (user_id,) in cursor.fetchall()]
    for table, is_tenant, column in pointing:
        if not is_tenant:
            cursor.execute(f'DELETE FROM {table} WHERE "{column}" = ANY(%s)', [gone])
    cursor.execute(f"DELETE FROM {PERSON_TABLE} WHERE id = ANY(%s)", [gone])
    return len(gone)
