"""What the database really holds of an operator, asked as a superuser, whom no policy holds."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any
from uuid import UUID

import psycopg
from psycopg import sql

UUIDS = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
# Shorter words are everybody's: "served", "EUR".
SHORTEST_TAG = 8
_MOMENT = re.compile(r"\d{4}-\d\d(-\d\d)?([T ][\d:.]+.*)?\Z")
_AMOUNT = re.compile(r"-?[\d.]+\Z")
# Rows of people are no operator's: those of a rival's people are found by these columns.
OF_PEOPLE = {
    "accounts_user": "id",
    "accounts_signin": "user_id",
    "accounts_knowndevice": "user_id",
    "accounts_secondfactor": "user_id",
    "accounts_recoverycode": "user_id",
}
_MEMBERS = "SELECT user_id FROM accounts_member WHERE operator_id = ANY(%(operators)s)"


class Rows:
    """All tables of some operators. ``sums`` tells two moments apart; ``words`` is whatever their rows say."""

    def __init__(self, superuser_url: str, operators: Sequence[UUID]) -> None:
        self._connection = psycopg.connect(superuser_url, autocommit=True)
        self._operators = list(operators)
        self._tables = self._columned("operator_id")
        of_people = {name for _schema, name in self._columned("user_id", "password")}
        self._of_people = {name: column for name, column in OF_PEOPLE.items() if name in of_people}
        self._sums = sql.SQL(" UNION ALL ").join(self._summed())

    def close(self) -> None:
        self._connection.close()

    @property
    def tables(self) -> int:
        return len(self._tables) + len(self._of_people) + 1

    def sums(self) -> dict[str, tuple[int, str]]:
        """By table: how many rows, and a sum over the hash of each, whatever their order."""
        found = self._connection.execute(self._sums, {"operators": self._operators}).fetchall()
        return {name: (count, str(total)) for name, count, total in found}

    def words(self) -> set[str]:
        """Every text and id in every row that is long enough to tell its operator from others."""
        return {word for schema, table in self._tables for word in self._said(schema, table)}

    def with_ids(self) -> list[str]:
        """The tables whose rows have an id of their own."""
        known = {name for schema, name in self._columned("id") if schema == "public"}
        return [name for schema, name in self._tables if schema == "public" and name in known]

    def ask(self, question: str, **values: Any) -> list[Any]:
        """The first column of what a question of ours gives; ``%(operator)s`` and the like come from the values."""
        return [row[0] for row in self._connection.execute(question, values).fetchall()]

    def _columned(self, *columns: str) -> list[tuple[str, str]]:
        found = self._connection.execute(
            """
            SELECT DISTINCT n.nspname, c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
            JOIN pg_attribute a ON a.attrelid = c.oid
            WHERE c.relkind IN ('r', 'p') AND NOT c.relispartition AND a.attname = ANY(%s) AND NOT a.attisdropped
                AND n.nspname NOT IN ('pg_catalog', 'information_schema')
            ORDER BY 1, 2
            """,
            [list(columns)],
        ).fetchall()
        return [(str(schema), str(name)) for schema, name in found]

    def _summed(self) -> Iterator[sql.Composed]:
        one = "SELECT {label}, count(*), coalesce(sum(hashtextextended(t::text, 7)::numeric), 0) FROM {table} t WHERE {which}"
        mine = sql.SQL("t.operator_id = ANY(%(operators)s)")
        for schema, name in self._tables:
            label, table = sql.Literal(f"{schema}.{name}"), sql.Identifier(schema, name)
            yield sql.SQL(one).format(label=label, table=table, which=mine)
        own = sql.SQL("t.id = ANY(%(operators)s)")
        yield sql.SQL(one).format(
            label=sql.Literal("public.accounts_operator"),
            table=sql.Identifier("accounts_operator"),
            which=own,
        )
        for name, column in self._of_people.items():
            which = sql.SQL("t.{} IN ({})").format(sql.Identifier(column), sql.SQL(_MEMBERS))
            yield sql.SQL(one).format(
                label=sql.Literal(f"public.{name}"), table=sql.Identifier(name), which=which
            )

    def _said(self, schema: str, table: str) -> Iterator[str]:
        question = sql.SQL("SELECT to_jsonb(t) FROM {} t WHERE t.operator_id = ANY(%s)").format(
            sql.Identifier(schema, table)
        )
        for (row,) in self._connection.execute(question, [self._operators]):
            yield from _leaves(row)


def _leaves(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        for inner in node.values():
            yield from _leaves(inner)
    elif isinstance(node, list):
        for inner in node:
            yield from _leaves(inner)
    elif isinstance(node, str):
        yield from UUIDS.findall(node)
        if len(node) >= SHORTEST_TAG and not _MOMENT.match(node) and not _AMOUNT.match(node):
            yield node
