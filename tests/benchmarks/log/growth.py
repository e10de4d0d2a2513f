"""What growth costs: appends to a long log against appends to a short one, bytes an event, and partitions by operator.

Two databases are copied from the prepared one, so that both logs have the product's own table, policies and function,
and are filled set-based by a superuser: eight operators in turn, random event ids, the rows of ordinary visits. Keys and
indexes are made after the filling, as a restore does. Then batches of 1,000 are appended to both in turn.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from functools import partial
from itertools import count
from typing import Any
from uuid import UUID

import psycopg
from django.db import connections
from psycopg import sql

from config import embedded
from tests.benchmarks.log.append import append
from tests.benchmarks.log.batches import Phone, copy_text, new_operator
from tests.benchmarks.log.twins import copy_into
from tests.benchmarks.rounds import compared, interleave

ROUNDS = 3
OPERATORS = 8
CHUNK = 500_000
PARTITIONS = 16
# At this size a thousand million events are about a terabyte: one server's disk.
MOST_BYTES_AN_EVENT = 1_100


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10^7 events against 10^5, and 2 x 10^6 in and out of partitions; else 3 x 10^5 against 10^5."""
    short, long = 100_000, 10_000_000 if full else 300_000
    batches = 20 if full else 3
    operators = [new_operator(f"growth{n}") for n in range(OPERATORS)]
    main = str(connections["default"].settings_dict["NAME"])
    connections.close_all()
    sizes = {"log_short": short, "log_long": long}
    urls = {name: embedded.create_database(servers, name, template=main).superuser_url for name in sizes}
    try:
        for name, url in urls.items():
            _fill_log(url, operators, sizes[name])
        yield from _appending(operators, batches, short, long)
        yield _size(urls["log_long"])
        if full:
            yield _partitions(urls["log_short"], operators, 2_000_000, batches)
    finally:
        _use(main)
        for name in sizes:
            embedded.drop_database(servers, name)


def _use(database: str) -> None:
    connections["default"].close()
    connections["default"].settings_dict["NAME"] = database


def _appending(operators: list[UUID], batches: int, short: int, long: int) -> Iterator[dict[str, Any]]:
    for name, random_ids in (("log.growth", False), ("log.growth_random_ids", True)):
        phones = {database: Phone(20, random_ids=random_ids) for database in ("log_short", "log_long")}
        prepared = {
            (database, n): [phones[database].events(1_000) for _ in range(batches)]
            for database in phones
            for n in range(-1, ROUNDS)
        }
        speeds = interleave(
            {
                "long": partial(_appended, prepared, operators, "log_long"),
                "short": partial(_appended, prepared, operators, "log_short"),
            },
            rounds=ROUNDS,
            count=batches * 1_000,
        )
        against = f"the same in a log of {short:,} events; this one has {long:,}"
        yield compared(name, speeds["long"], against, speeds["short"], target=0.7, n=batches * 1_000)


def _appended(prepared: Any, operators: list[UUID], database: str, n: int) -> float:
    """Events a second; a new connection's first append, by which it learns the table, is not measured."""
    _use(database)
    append(operators[1], Phone(21).events(10))
    began = time.perf_counter()
    for batch in prepared[database, n]:
        append(operators[0], batch)
    return len(prepared[database, n]) * 1_000 / (time.perf_counter() - began)


FILL = """
INSERT INTO {table} (operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version,
    occurred_at, received_at, actor_kind, actor_id, member_id, visit_id, touch_id, payload, content_hash)
SELECT o, gen_random_uuid(), md5(o || 'phone')::uuid, n, 'unit', md5(o || 'unit' || mod(n / 24, 5000))::uuid,
    (ARRAY['cartridge.exchanged', 'wick.checked', 'level.read'])[mod(n, 3) + 1], 1,
    timestamptz '2020-01-01' + n * interval '1 second', timestamptz '2020-01-01' + n * interval '1 second',
    'device', md5(o || 'phone')::uuid, md5(o || 'member')::uuid, md5(o || 'visit' || n / 240)::uuid,
    md5(o || 'touch' || n / 24)::uuid,
    CASE mod(n, 3) WHEN 0 THEN jsonb_build_object('cartridge_id', md5(o || 'cartridge')::uuid, 'charge_ml', 280,
            'cartridge_left_ml', mod(n, 90), 'reservoir_before_ml', 20, 'reservoir_after_ml', 20)
        WHEN 1 THEN jsonb_build_object('condition', 'good')
        ELSE jsonb_build_object('cartridge_left_ml', mod(n, 280), 'reservoir_ml', 20) END,
    sha256(convert_to(concat(o, n), 'UTF8'))
FROM (SELECT n, (%(operators)s::uuid[])[mod(n, cardinality(%(operators)s::uuid[])) + 1] AS o
    FROM generate_series(%(first)s::bigint, %(last)s::bigint) n) AS lines
"""


def _fill(superuser: Any, table: str, operators: list[UUID], number: int) -> None:
    fill = sql.SQL(FILL).format(table=sql.Identifier(table))
    for first in range(1, number + 1, CHUNK):
        last = min(first + CHUNK - 1, number)
        superuser.execute(fill, {"operators": operators, "first": first, "last": last})
        print(f"bench: {table} has {last:,} events", file=sys.stderr)


def _fill_log(url: str, operators: list[UUID], number: int) -> None:
    """Keys and indexes go first and come back last; the operators are there, so their key is not asked row by row."""
    with psycopg.connect(url, autocommit=True) as superuser:
        constraints = superuser.execute(
            "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
            "WHERE conrelid = 'servicing_event'::regclass AND contype IN ('p', 'u')"
        ).fetchall()
        indexes = superuser.execute(
            "SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid) FROM pg_index i "
            "WHERE indrelid = 'servicing_event'::regclass "
            "AND NOT EXISTS (SELECT FROM pg_constraint c WHERE c.conindid = i.indexrelid AND c.contype IN ('p', 'u'))"
        ).fetchall()
        for name, _ in constraints:
            superuser.execute(
                sql.SQL("ALTER TABLE servicing_event DROP CONSTRAINT {}").format(sql.Identifier(name))
            )
        for name, _ in indexes:
            superuser.execute(sql.SQL("DROP INDEX {}").format(sql.Identifier(name)))
        superuser.execute("SET session_replication_role = replica")
        _fill(superuser, "servicing_event", operators, number)
        for name, definition in constraints:
            superuser.execute(
                sql.SQL("ALTER TABLE servicing_event ADD CONSTRAINT {} {}").format(
                    sql.Identifier(name), sql.SQL(definition)
                )
            )
        for _, definition in indexes:
            superuser.execute(definition)
        superuser.execute("VACUUM ANALYZE servicing_event")
        superuser.execute("CHECKPOINT")


def _size(url: str) -> dict[str, Any]:
    with psycopg.connect(url, autocommit=True) as superuser:
        number, heap = superuser.execute(
            "SELECT count(*), pg_table_size('servicing_event') FROM servicing_event"
        ).fetchone() or (0, 0)
        indexes = superuser.execute(
            "SELECT indexrelid::regclass::text, pg_relation_size(indexrelid) FROM pg_index "
            "WHERE indrelid = 'servicing_event'::regclass ORDER BY 1"
        ).fetchall()
    total = (heap + sum(size for _, size in indexes)) / number
    return {
        "name": "log.size",
        "value": round(total, 1),
        "unit": "bytes/event",
        "figures": {
            "heap": round(heap / number, 1),
            **{name: round(size / number, 1) for name, size in indexes},
            "gb_at_10^8": round(total / 10, 1),
            "gb_at_10^9": round(total, 1),
        },
        "target": f"at most {MOST_BYTES_AN_EVENT} bytes an event",
        "ok": total <= MOST_BYTES_AN_EVENT,
        "n": number,
    }


def _partitions(url: str, operators: list[UUID], number: int, batches: int) -> dict[str, Any]:
    """COPY of batches of 1,000, each of one operator, into a log of one table and into one of 16 hash partitions."""
    with psycopg.connect(url, autocommit=True) as superuser:
        superuser.execute("CREATE TABLE log_whole (LIKE servicing_event INCLUDING ALL)")
        superuser.execute(
            "CREATE TABLE log_parted (LIKE servicing_event INCLUDING ALL) PARTITION BY HASH (operator_id)"
        )
        for n in range(PARTITIONS):
            superuser.execute(
                f"CREATE TABLE log_parted_{n} PARTITION OF log_parted "
                f"FOR VALUES WITH (MODULUS {PARTITIONS}, REMAINDER {n})"
            )
        for table in ("log_whole", "log_parted"):
            _fill(superuser, table, operators, number)
        positions, phones = count(10**12), [Phone(30 + n) for n in range(OPERATORS)]
        texts = {
            n: [
                copy_text(
                    operators[index % OPERATORS], phones[index % OPERATORS].events(1_000), positions=positions
                )
                for index in range(batches)
            ]
            for n in range(-1, ROUNDS)
        }

        def copied(table: str, n: int) -> None:
            for text in texts[n]:
                copy_into(superuser, table, text)

        speeds = interleave(
            {"parted": lambda n: copied("log_parted", n), "whole": lambda n: copied("log_whole", n)},
            rounds=ROUNDS,
            count=batches * 1_000,
        )
    against = f"the same into one table, both with {number:,} events; a split pays from 1 on"
    return compared(
        "log.partitions_16", speeds["parted"], against, speeds["whole"], target=0.7, n=batches * 1_000
    )
