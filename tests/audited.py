"""What a request changed, found by comparing rows before and after, held against what the audit tells of that request.

The rows are read by a superuser, whom no policy holds, and compared here: nothing of the audit's own is asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

import psycopg

ADDED, CHANGED, REMOVED = "added", "changed", "removed"


@dataclass(frozen=True)
class Told:
    """A table that tells the audit, as its triggers say: by which word, of which key, without which columns."""

    table: str
    kind: str
    owner: str
    key: tuple[str, ...]
    ignored: tuple[str, ...]
    only_changes: bool

    @property
    def sql(self) -> str:
        key = " || '/' || ".join(f"t.{name}::text" for name in self.key)
        left_out = f" - '{{{','.join(self.ignored)}}}'::text[]" if self.ignored else ""
        return (
            f"SELECT '{self.table}', {key}, (to_jsonb(t){left_out})::text FROM {self.table} t "
            f"WHERE t.{self.owner} = %(operator)s"
        )


def tables(superuser: psycopg.Connection[Any]) -> dict[str, Told]:
    rows = superuser.execute(
        "SELECT c.relname, string_agg(DISTINCT encode(t.tgargs, 'escape'), '|'), max(t.tgtype & 4) "
        "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE p.proname = 'accounts_note_row' GROUP BY 1"
    ).fetchall()
    found = {}
    for table, arguments, inserts in rows:
        kind, owner, key, _label, _values, ignored = arguments.split("\\000")[:6]
        found[table] = Told(table, kind, owner, _columns(key), _columns(ignored), not inserts)
    return found


def _columns(array: str) -> tuple[str, ...]:
    return tuple(filter(None, array.strip("{}").split(",")))


class Recorder:
    """Compares an operator's rows from one request to the next."""

    def __init__(self, superuser: psycopg.Connection[Any], operator_id: UUID) -> None:
        self.superuser, self.operator_id = superuser, operator_id
        self.tables = tables(superuser)
        self.sql = " UNION ALL ".join(one.sql for one in self.tables.values())
        self.rows = self._rows()

    def changed(self) -> set[tuple[str, str, str]]:
        """What was added, changed and removed since the last time: action, kind and row."""
        before, self.rows = self.rows, self._rows()
        found = set()
        for table, key in before.keys() | self.rows.keys():
            was, now = before.get((table, key)), self.rows.get((table, key))
            action = ADDED if was is None else REMOVED if now is None else CHANGED
            told = self.tables[table]
            if was != now and not (told.only_changes and action == ADDED):
                found.add((action, told.kind, key))
        return found

    def told(self, request_id: str) -> list[tuple[str, str, str, str, str]]:
        """What the audit has of a request: action, kind, row, door and who acted."""
        return self.superuser.execute(
            "SELECT action, kind, row_id, door, actor_kind FROM accounts_auditentry "
            "WHERE operator_id = %s AND request_id = %s ORDER BY number",
            [self.operator_id, request_id],
        ).fetchall()

    def untold(self, request_id: str) -> set[tuple[str, str, str]]:
        """What a request changed since the last time and the audit does not tell of."""
        changed = self.changed()
        told = self.told(request_id)
        rows = {(kind, row) for _, kind, row, _, _ in told}
        exact = {(action, kind, row) for action, kind, row, _, _ in told}
        # Added and changed in one transaction are two entries and one difference.
        return {one for one in changed if one not in exact or one[1:] not in rows}

    def _rows(self) -> dict[tuple[str, str], str]:
        found = self.superuser.execute(self.sql, {"operator": self.operator_id}).fetchall()
        return {(table, key): row for table, key, row in found}
