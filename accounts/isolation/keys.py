"""Foreign keys and unique keys: none reaches or reveals another operator's row."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from accounts.isolation.wanted import (
    KEYS_ACROSS_OPERATORS,
    NAME,
    NAME_OF,
    OPERATOR_TABLE,
    OURS,
    UNUSED_REFERRERS,
    Audit,
    Expected,
    rows_of,
)


def audit_references(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT k.conname::text, {NAME}, {NAME_OF.format("t", "m")}, k.convalidated
                AND coalesce((to_jsonb(k) ->> 'conenforced')::boolean, true),
            NOT EXISTS (SELECT 1 FROM pg_trigger g WHERE g.tgconstraint = k.oid AND g.tgenabled NOT IN ('O', 'A')),
            (SELECT array_agg(a.attname::text ORDER BY u.at) FROM unnest(k.conkey) WITH ORDINALITY AS u (num, at)
                JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = u.num),
            (SELECT array_agg(a.attname::text ORDER BY u.at) FROM unnest(k.confkey) WITH ORDINALITY AS u (num, at)
                JOIN pg_attribute a ON a.attrelid = k.confrelid AND a.attnum = u.num)
        FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid JOIN pg_class t ON t.oid = k.confrelid
        JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_namespace m ON m.oid = t.relnamespace
        WHERE k.contype = 'f' AND {OURS}
        """,
    )
    there = {
        (table, tuple(columns), target, tuple(keys)): valid
        for _, table, target, valid, _, columns, keys in rows
    }
    for table, column, target, key in wanted.references:
        reference = (table, ("operator_id", column), target, ("operator_id", key))
        found.need(
            reference in there,
            f"{table}.{column}: no key (operator_id, {column}) to {target} (operator_id, {key}).",
        )
        found.need(there.get(reference, True), f"{table}.{column}: the key to {target} was never validated.")
    for table in wanted.tenant.keys() - {OPERATOR_TABLE}:
        own = (table, ("operator_id",), OPERATOR_TABLE, ("id",))
        found.need(there.get(own), f"{table}.operator_id: no validated key to {OPERATOR_TABLE}.")
    for name, table, target, _, is_checked, columns, keys in rows:
        found.need(is_checked, f"{table}: the key {name} is not checked, for its triggers are off.")
        if target not in wanted.tenant:
            continue
        if target == OPERATOR_TABLE:
            found.need(
                table in wanted.tenant, f"{table}: the key {name} points at an operator from a global table."
            )
        elif table not in UNUSED_REFERRERS:
            paired = ("operator_id", "operator_id") in zip(columns, keys, strict=True)
            found.need(paired, f"{table}: the key {name} reaches {target} without the operator.")
    found.counts["composite keys"] = sum("operator_id" in keys for *_, keys in rows)


def audit_unique_keys(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, i.relname::text, x.indisprimary,
            (SELECT array_agg(coalesce(a.attname::text, '(expression)') ORDER BY u.at)
                FROM unnest(x.indkey::smallint[]) WITH ORDINALITY AS u (num, at)
                LEFT JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = u.num WHERE u.at <= x.indnkeyatts),
            coalesce((SELECT o.oprname::text FROM pg_constraint k JOIN pg_operator o ON o.oid = k.conexclop[1]
                WHERE k.conindid = i.oid AND k.contype = 'x'), '='),
            (SELECT format_type(atttypid, NULL) FROM pg_attribute WHERE attrelid = c.oid AND attnum = x.indkey[0]),
            x.indisunique AND x.indpred IS NULL
        FROM pg_index x JOIN pg_class i ON i.oid = x.indexrelid JOIN pg_class c ON c.oid = x.indrelid
        JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE (x.indisunique OR x.indisexclusion) AND {OURS}
        """,
    )
    leading: dict[str, int] = defaultdict(int)
    whole = {(table, tuple(sorted(columns))) for table, _, _, columns, _, _, is_whole in rows if is_whole}
    for table, name, primary, columns, first_operator, first_type, _ in rows:
        if table not in wanted.tenant:
            continue
        leads = columns[0] == "operator_id" and first_operator == "="
        # An id of our own making: 128 bits that say nothing and that no other operator can hit on.
        made_by_server = primary and columns == ["id"] and first_type == "uuid"
        allowed = made_by_server or (table, tuple(columns)) in KEYS_ACROSS_OPERATORS
        found.need(
            leads or allowed, f"{table}: the unique key {name} ({', '.join(columns)}) spans operators."
        )
        leading[table] += leads
    for table, columns in sorted(wanted.identities.items()):
        found.need(
            (table, tuple(sorted(columns))) in whole,
            f"{table}: no unique key ({', '.join(columns)}), by which a row of its operator is named.",
        )
    for table in sorted(wanted.tenant.keys() - {OPERATOR_TABLE}):
        found.need(
            leading[table], f"{table}: no unique key leads with the operator, so no row can point at one."
        )
    found.counts["unique keys that lead with the operator"] = sum(leading.values())
