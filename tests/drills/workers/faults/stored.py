"""All that is stored, row by row, as a superuser sees it; what differs between two moments; and back to an earlier one."""

from __future__ import annotations

import json
import re
from collections import Counter, defaultdict
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, LiteralString

import psycopg
from psycopg import sql

# Notes of who called, how often and when; they are written whatever becomes of the call, and say nothing of its effect.
NO_EFFECT = frozenset(
    {
        "accounts_tally",
        "django_migrations",
    }
)
UUID = re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")
Row = tuple[str, str]  # table, the row as JSON with its members in order


@dataclass(frozen=True)
class Stored:
    """The rows of one moment, and where each stands."""

    rows: Counter[Row]
    places: Mapping[Row, list[str]]

    def differences(self, other: Stored) -> tuple[Counter[Row], Counter[Row]]:
        """What is here and not there, and the other way round."""
        return self.rows - other.rows, other.rows - self.rows


class Tables:
    """Every table of the product but those of ``NO_EFFECT``; ``only`` some, when their names are given."""

    def __init__(self, superuser: psycopg.Connection[Any], only: Container[str] | None = None) -> None:
        self.superuser = superuser
        self.columns = {
            table: columns for table, columns in self._columns().items() if only is None or table in only
        }
        self._guards = self._found_guards()
        self._read = sql.SQL(" UNION ALL ").join(
            sql.SQL("SELECT {}, ctid::text, to_jsonb(x)::text FROM {} x").format(
                sql.Literal(table), sql.Identifier(table)
            )
            for table in self.columns
        )

    def now(self) -> Stored:
        """In one statement, so of one moment."""
        places: dict[Row, list[str]] = defaultdict(list)
        for table, place, row in self.superuser.execute(self._read):
            places[table, row].append(place)
        return Stored(Counter({row: len(where) for row, where in places.items()}), places)

    def back_to(self, before: Stored, now: Stored) -> None:
        """Take away what came since, and put back what went; ``now`` is what stands."""
        if now.rows == before.rows:
            return
        came, went = now.differences(before)
        guards = [one for one in self._guards if any(row[0] == one[0] for row in (*came, *went))]
        with self.superuser.transaction():
            self.superuser.execute("SET LOCAL session_replication_role = replica")
            # Those that stop even the owner stop whoever puts rows back.
            self._alter(guards, "DISABLE TRIGGER")
            for table, places in _by_table(
                (row, place) for row in came for place in now.places[row][: came[row]]
            ).items():
                self.superuser.execute(
                    sql.SQL("DELETE FROM {} WHERE ctid = ANY(%s::tid[])").format(sql.Identifier(table)),
                    [places],
                )
            for table, rows in _by_table((row, row[1]) for row in went.elements()).items():
                names = sql.SQL(", ").join(map(sql.Identifier, self.columns[table]))
                self.superuser.execute(
                    sql.SQL(
                        "INSERT INTO {0} ({1}) OVERRIDING SYSTEM VALUE "
                        "SELECT {1} FROM jsonb_populate_recordset(NULL::{0}, %s::jsonb)"
                    ).format(sql.Identifier(table), names),
                    [f"[{','.join(rows)}]"],
                )
            self._alter(guards, "ENABLE ALWAYS TRIGGER")

    def skip_numbers(self, count: int) -> None:
        """Move every sequence on, as work does that was not kept."""
        names = self.superuser.execute(
            "SELECT quote_ident(schemaname) || '.' || quote_ident(sequencename) FROM pg_sequences WHERE schemaname = 'public'"
        ).fetchall()
        for (name,) in names:
            self.superuser.execute("SELECT setval(%s, nextval(%s) + %s)", [name, name, count])

    def _columns(self) -> dict[str, list[str]]:
        """By table those that are not computed."""
        found = self.superuser.execute(
            "SELECT c.relname, array_agg(a.attname::text ORDER BY a.attnum) FROM pg_class c "
            "JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = '' "
            "WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r' GROUP BY c.relname ORDER BY c.relname"
        ).fetchall()
        return {name: columns for name, columns in found if name not in NO_EFFECT}

    def _found_guards(self) -> list[tuple[str, str]]:
        return self.superuser.execute(
            "SELECT c.relname, t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
            "WHERE t.tgenabled = 'A' AND NOT t.tgisinternal AND c.relnamespace = 'public'::regnamespace"
        ).fetchall()

    def _alter(self, guards: Iterable[tuple[str, str]], what: LiteralString) -> None:
        for table, name in guards:
            self.superuser.execute(
                sql.SQL("ALTER TABLE {} {} {}").format(
                    sql.Identifier(table), sql.SQL(what), sql.Identifier(name)
                )
            )


def _by_table(pairs: Iterable[tuple[Row, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for (table, _row), value in pairs:
        found[table].append(value)
    return found


@dataclass(frozen=True)
class Fleeting:
    """What two runs of the same work do not share: ids of what they make, and the columns that still differ then, such as
    instants of the database, numbers drawn from a sequence, and what is sealed or hashed over them.

    ``known``: the ids there were before.
    """

    known: frozenset[str]
    columns: frozenset[tuple[str, str]]

    @classmethod
    def between(cls, before: Stored, one: Stored, other: Stored) -> Fleeting:
        known = frozenset(found for _table, row in before.rows for found in UUID.findall(row))
        by_id = cls(known, frozenset())
        values: tuple[dict[tuple[str, str], Counter[str]], ...] = (defaultdict(Counter), defaultdict(Counter))
        for side, rows in zip(values, one.differences(other), strict=True):
            for (table, row), count in by_id.left_out(rows).items():
                for column, value in json.loads(row).items():
                    side[table, column][json.dumps(value, sort_keys=True)] += count
        names = values[0].keys() | values[1].keys()
        return cls(known, frozenset(name for name in names if values[0][name] != values[1][name]))

    def left_out(self, rows: Counter[Row]) -> Counter[Row]:
        """The rows with no more of what is fleeting than whether there is a value."""
        found: Counter[Row] = Counter()
        for (table, row), count in rows.items():
            alike = UUID.sub(lambda one: one[0] if one[0] in self.known else "new", row)
            kept = {
                name: (value is not None) if (table, name) in self.columns else value
                for name, value in json.loads(alike).items()
            }
            found[table, json.dumps(kept, sort_keys=True)] += count
        return found

    def and_notes(self, notes: frozenset[tuple[str, str]]) -> Fleeting:
        return Fleeting(self.known, self.columns | notes)

    def alike(self, one: Stored, other: Stored) -> bool:
        here, there = one.differences(other)
        return self.left_out(here) == self.left_out(there)

    def shown(self, one: Stored, other: Stored, most: int = 4) -> list[str]:
        """What differs, for a person."""
        here, there = map(self.left_out, one.differences(other))
        lines = [f"- {table} {row[:300]}" for table, row in list((here - there).elements())[:most]]
        return lines + [f"+ {table} {row[:300]}" for table, row in list((there - here).elements())[:most]]
