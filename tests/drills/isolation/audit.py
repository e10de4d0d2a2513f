"""Whatever is changed in an audit of 100,000 entries is found: bits, rows taken out, put in and swapped, and a chain made anew.

A superuser with the guards off changes the stored rows, each time in a transaction that is undone; the product's own check
reads all of it. PostgreSQL refuses some flips, such as a byte that is no UTF-8: they are drawn again.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

import psycopg

from accounts import auditing, clock, queries, tenancy
from accounts.queries import audit
from accounts.rules.audit_chain import Head, Kept, faults
from tests.cast import NOON, Cast, new_cast

SEED = 31_415
ENTRIES, ENTRIES_SHORT = 100_000, 2_000
FLIPS, FLIPS_SHORT = 3_000, 400
COLUMNS = (
    "operator_id", "number", "at", "actor_kind", "actor_id", "actor_name", "address", "request_id", "door", "action", "kind",
    "row_id", "about", "said", "previous_hash", "hash",
)  # fmt: skip
WHERE = "WHERE operator_id = %(operator)s AND number = %(number)s"
BY_ROW = {
    "removed": f"DELETE FROM accounts_auditentry {WHERE}",
    "the end removed": "DELETE FROM accounts_auditentry WHERE operator_id = %(operator)s AND number >= %(number)s",
    "swapped": (
        "UPDATE accounts_auditentry SET number = CASE number WHEN %(number)s THEN -%(number)s ELSE %(number)s END "
        "WHERE operator_id = %(operator)s AND number IN (%(number)s, %(number)s + 1)"
    ),
    "put in": (
        "INSERT INTO accounts_auditentry SELECT (jsonb_populate_record(e, jsonb_build_object('number', %(last)s + 1))).* "
        f"FROM accounts_auditentry e {WHERE}"
    ),
    "rehashed": (
        "UPDATE accounts_auditentry SET actor_name = 'x', "
        "said = jsonb_set(said::jsonb, '{{actor_name}}', '\"x\"')::text, "
        "hash = sha256(previous_hash || convert_to(jsonb_set(said::jsonb, '{{actor_name}}', '\"x\"')::text, 'UTF8')) "
    )
    .replace("{{", "{")
    .replace("}}", "}")
    + WHERE,
}


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    entries, flips = (ENTRIES, FLIPS) if full else (ENTRIES_SHORT, FLIPS_SHORT)
    with clock.playing(NOON):
        cast = new_cast("audited")
        added = _filled(cast, entries)
        with tenancy.reading(cast.owner):
            begun = time.perf_counter()
            sound = queries.check_audit()
            seconds = time.perf_counter() - begun
    chance = random.Random(SEED)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        flipped, missed = _flip(superuser, cast.operator.id, sound.head, chance, flips)
        rows_missed = [name for name in BY_ROW if not _changed_row_found(superuser, cast, sound.head, name)]
    yield {
        "name": "isolation.audit",
        "figures": {
            "entries": sound.entries,
            "microseconds_to_add_one": round(added * 1e6 / entries),
            "microseconds_to_check_one": round(seconds * 1e6 / sound.entries),
            "bits_flipped": flipped,
            "flips_missed": missed,
            "rows_changed": len(BY_ROW),
            "row_changes_missed": rows_missed,
            "faults_in_the_sound_one": len(sound.faults),
        },
        "target": "every flipped bit and every row removed, added, swapped or rehashed is found",
        "ok": not missed and not rows_missed and not sound.faults and flipped >= flips,
        "seed": SEED,
    }


def _filled(cast: Cast, entries: int) -> float:
    """Add as many entries, a thousand a transaction; gives the seconds."""
    begun = time.perf_counter()
    for start in range(0, entries, 1_000):
        with tenancy.writing(cast.owner):
            for number in range(start, min(start + 1_000, entries)):
                auditing.note(action="looked", kind="page", row_id=f"p{number}", share=1.5, of="ü/€")
        if start % 20_000 == 0:
            print(f"audit: {start:,} entries", file=sys.stderr)
    return time.perf_counter() - begun


@contextmanager
def _unguarded(superuser: psycopg.Connection[Any]) -> Iterator[None]:
    with superuser.transaction(force_rollback=True):
        superuser.execute("ALTER TABLE accounts_auditentry DISABLE TRIGGER ALL")
        yield


def _found(
    superuser: psycopg.Connection[Any], operator_id: UUID, heads: list[Head], near: int | None
) -> bool:
    """Whether the check finds a fault in the superuser's transaction; ``near``: only around that entry, to be quick."""
    after = None if near is None or near < 2 else near - 2
    begin = Head()
    with superuser.cursor() as cursor:
        if after:
            cursor.execute(
                "SELECT number, hash FROM accounts_auditentry WHERE operator_id = %s AND number = %s",
                [operator_id, after],
            )
            begin = Head(*cursor.fetchone())  # type: ignore[misc]
        # Entries below the first are read by whoever reads from the beginning.
        cursor.execute(audit.ENTRIES_SQL, [operator_id, after, after, 1_000_000_000 if near is None else 6])
        kept: list[Kept] = [audit._kept_of(row) for row in cursor.fetchall()]
    return any(True for _ in faults(operator_id, kept, heads, begin))


def _flip(
    superuser: psycopg.Connection[Any], operator_id: UUID, head: Head, chance: random.Random, wanted: int
) -> tuple[int, list[str]]:
    """Flip one bit of one column of one entry, again and again; gives how many, and those that were not found."""
    done, missed = 0, []
    while done < wanted:
        column, number = chance.choice(COLUMNS), chance.randint(1, head.number - 1)
        with _unguarded(superuser):
            try:
                before, after = _with_a_bit_flipped(superuser, operator_id, number, column, chance)
            except (UnicodeDecodeError, psycopg.Error):
                continue
            if before == after:
                continue
            done += 1
            # Near it: the whole would read 100,000 entries for each flip. What is wrong shows at it or at the next.
            if not _found(superuser, operator_id, [], number):
                missed.append(f"{column} of {number}")
    return done, missed


def _with_a_bit_flipped(
    superuser: psycopg.Connection[Any], operator_id: UUID, number: int, column: str, chance: random.Random
) -> tuple[str | None, str | None]:
    at = {"operator": operator_id, "number": number}
    kind, stored = superuser.execute(
        f"SELECT pg_typeof({column})::text, {column}::text FROM accounts_auditentry {WHERE}", at
    ).fetchone()  # type: ignore[misc]
    if stored is None:
        new = str(UUID(int=1 << chance.randrange(128)))
    elif kind == "bytea":
        new = "\\x" + _flipped(bytes.fromhex(stored[2:]), chance).hex()
    elif kind == "uuid":
        new = str(UUID(bytes=_flipped(UUID(stored).bytes, chance)))
    else:
        new = _flipped(stored.encode(), chance).decode()
    superuser.execute(
        f"UPDATE accounts_auditentry SET {column} = %(new)s::{kind} {WHERE}", {**at, "new": new}
    )
    after = superuser.execute(f"SELECT {column}::text FROM accounts_auditentry {WHERE}", at).fetchone()
    return stored, after and after[0]


def _flipped(value: bytes, chance: random.Random) -> bytes:
    if not value:
        return b"x"
    at = chance.randrange(len(value))
    return value[:at] + bytes([value[at] ^ 1 << chance.randrange(8)]) + value[at + 1 :]


def _changed_row_found(superuser: psycopg.Connection[Any], cast: Cast, head: Head, name: str) -> bool:
    with _unguarded(superuser):
        superuser.execute(
            BY_ROW[name],
            {"operator": cast.operator.id, "number": head.number // 2, "last": head.number},
        )
        return _found(superuser, cast.operator.id, [head], None)
