"""Mutants of the database: each is one statement by hand, undone with its transaction, and must be named by the audit."""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import psycopg

from accounts.isolation import audited, keys, roles, tables
from accounts.isolation.audit import audit
from accounts.isolation.wanted import MIGRATE_ROLE, Audit, Expected, expected
from accounts.tenancy import APP_ROLE, SYSTEM_ROLE

LEAST = 20_000
GRANTEES = (APP_ROLE, SYSTEM_ROLE, MIGRATE_ROLE, "PUBLIC")


@dataclass(frozen=True, slots=True)
class Mutant:
    """``says``: what a gap must say so that this mutant is named; ``kind`` names the part of the audit that must say it.

    Mutants of one ``group`` don't touch each other, so that they may be made together; "" is made alone.
    """

    kind: str
    sql: str
    says: str
    group: str = ""


def parts(cursor: Any, wanted: Expected) -> dict[str, Callable[[Audit], None]]:
    """The audit's parts by the kind of mutant that they are for."""
    return {
        "tables": lambda found: tables.audit_tables(cursor, found, wanted),
        "policies": lambda found: tables.audit_policies(cursor, found, wanted),
        "references": lambda found: keys.audit_references(cursor, found, wanted),
        "unique keys": lambda found: keys.audit_unique_keys(cursor, found, wanted),
        "guards": lambda found: tables.audit_triggers(cursor, found),
        "tellers": lambda found: audited.audit_audited(cursor, found, wanted),
        "functions": lambda found: roles.audit_functions(cursor, found),
        "roles": lambda found: roles.audit_roles(cursor, found),
        "privileges": lambda found: roles.audit_table_privileges(cursor, found),
        "column privileges": lambda found: roles.audit_column_privileges(cursor, found),
        "surroundings": lambda found: roles.audit_surroundings(cursor, found),
    }


def play(servers: Any, *, full: bool) -> dict[str, Any]:
    """Make every mutant and count: made, caught, missed (by name, the first of them), and those that PostgreSQL refuses."""
    from tests.drills.isolation.mutants.statements import every_mutant

    counts: Counter[str] = Counter()
    missed: list[str] = []
    impossible: list[str] = []
    with psycopg.connect(servers.superuser_url, autocommit=True) as connection, connection.cursor() as cursor:
        before = len(audit(cursor).gaps)
        wanted = expected(cursor)
        made = list(every_mutant(cursor))
        for batch in _batches(made, together=not full):
            gaps, refused = _gaps_after(connection, cursor, wanted, batch)
            impossible += [mutant.sql for mutant in refused]
            for mutant in batch:
                if mutant in refused:
                    continue
                is_caught = any(mutant.says in gap for gap in gaps)
                counts[mutant.kind] += is_caught
                if not is_caught:
                    missed.append(f"{mutant.kind}: {mutant.sql}")
        after = len(audit(cursor).gaps)
    for sql in missed[:20]:
        print(f"drill: not caught: {sql}", file=sys.stderr)
    return {
        "mutants": len(made) - len(impossible),
        "caught": sum(counts.values()),
        "missed": len(missed),
        "by_kind": dict(sorted(counts.items())),
        "survivors": missed[:20],
        "refused_by_postgresql": len(impossible),
        "refused": sorted({_shape(sql) for sql in impossible}),
        "gaps_before": before,
        "gaps_after": after,
    }


play.least = LEAST  # type: ignore[attr-defined]


def _shape(sql: str) -> str:
    """A statement without the names in it."""
    return " ".join(word for word in sql.split() if word.isupper())


def _batches(mutants: Iterable[Mutant], *, together: bool) -> Iterator[list[Mutant]]:
    groups: dict[tuple[str, str], list[Mutant]] = defaultdict(list)
    for mutant in mutants:
        if together and mutant.group:
            groups[mutant.kind, mutant.group].append(mutant)
        else:
            yield [mutant]
    yield from groups.values()


def _gaps_after(
    connection: Any, cursor: Any, wanted: Expected, batch: list[Mutant]
) -> tuple[list[str], list[Mutant]]:
    """The gaps that the audit finds with these made, and those of them that could not be made."""
    refused = []
    with connection.transaction(force_rollback=True):
        for mutant in batch:
            try:
                with connection.transaction():
                    cursor.execute(mutant.sql)
            except psycopg.Error:
                refused.append(mutant)
        found = Audit()
        parts(cursor, wanted)[batch[0].kind](found)
    return found.gaps, refused
