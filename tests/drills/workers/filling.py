"""A long log in little time: rows as phones send them, with true hashes, by COPY; and work spread over the cores."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import count
from typing import Any
from uuid import UUID

import psycopg

from config import embedded

CHUNK = 10_000
# From here on it is worth starting more processes.
MUCH = 1_000_000


def fill(servers: embedded.Servers, operators: list[UUID], each: int) -> dict[UUID, Any]:
    """So many events for each operator, all of one phone, which goes on from there. As a superuser, without the product."""
    with psycopg.connect(servers.superuser_url) as superuser:
        row = superuser.execute(
            "SELECT nextval(pg_get_serial_sequence('servicing_event', 'position'))"
        ).fetchone()
        first = int(row[0]) + 1 if row else 1
    starts = [first + n * each for n in range(len(operators))]
    addresses = [servers.superuser_url] * len(operators)
    phones = dict(
        zip(
            operators,
            spread(
                servers,
                _fill_one,
                addresses,
                operators,
                starts,
                [each] * len(operators),
                is_much=each * len(operators) >= MUCH,
            ),
            strict=True,
        )
    )
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        superuser.execute(
            "SELECT setval(pg_get_serial_sequence('servicing_event', 'position'), %s)",
            [first + len(operators) * each],
        )
        superuser.execute("VACUUM ANALYZE servicing_event")
    return phones


def _fill_one(url: str, operator_id: UUID, start: int, each: int) -> Any:
    from tests.benchmarks.log.batches import Phone, copy_text

    phone, positions = Phone(start), count(start)
    with psycopg.connect(url) as superuser:
        # The operators are there; their key need not be asked for row by row.
        superuser.execute("SET session_replication_role = replica")
        for _ in range(each // CHUNK):
            with superuser.cursor().copy("COPY servicing_event FROM STDIN") as into:
                into.write(copy_text(operator_id, phone.events(CHUNK), positions=positions))
    print(f"drill: {each:,} more events are there", file=sys.stderr)
    return phone


def spread(
    servers: embedded.Servers, do: Callable[..., Any], *values: Sequence[Any], is_much: bool
) -> list[Any]:
    """What ``do`` gives for each of the values; much of it by a process for each core, connected to these servers."""
    if not is_much:
        return [do(*one) for one in zip(*values, strict=True)]
    with ProcessPoolExecutor(
        max_workers=os.cpu_count(),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_set_up,
        initargs=(servers.environment(),),
    ) as pool:
        return list(pool.map(do, *values))


def _set_up(environment: dict[str, str]) -> None:
    import django

    os.environ.update(environment)
    django.setup()
