"""The nightly sweep, operator by operator, against the same columns copied out, copied in and set by one statement.

Ours runs under its policies, operator by operator, in as many processes as a Celery worker has; beside it stands the
same in one process. The peer is a superuser in one session, who takes a round's operators together: it copies their histories out in binary without decoding them, copies ready rows into a table of its own, and
sets every outlook by one UPDATE. Each round has operators of its own, which both sweep. The logs are empty; what crews
saw is in the histories, of which some operators have the same: their outlooks must come out the same too.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from uuid import UUID

import psycopg

from accounts import clock
from accounts.permissions import system_actor
from config.celery import app
from servicing.commands.forecasts import refit
from servicing.projections.storing import OUTLOOK_COLUMNS
from tests.benchmarks.forecast.fleets import UNITS, make_fleets
from tests.benchmarks.forecast.histories import AS_OF
from tests.benchmarks.forecast.workers import Workers
from tests.benchmarks.rounds import interleave, times_as_long

KINDS = 2
TARGET = 5
RECKONED = [name for name in OUTLOOK_COLUMNS.split(", ") if name not in {"unit_id", "site_id"}]


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,000 operators of 1,000 units in 10 rounds; else 18 in 3."""
    size, rounds = (100, 10) if full else (6, 3)
    processes = app.conf.worker_concurrency
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        clock.playing(AS_OF),
        Workers(processes) as workers,
    ):
        operators = make_fleets(superuser, 2 * KINDS + size * rounds, KINDS)
        superuser.execute("VACUUM ANALYZE")
        # The first of each kind is what the others are held against; the next of each kind only warm up.
        parts = {-1: operators[KINDS : 2 * KINDS]}
        parts |= {n: operators[2 * KINDS + n * size :][:size] for n in range(rounds)}
        for operator_id in operators[:KINDS]:
            refit(actor=system_actor(operator_id))
        sides = _Sides(superuser, operators, workers)
        speeds = interleave(
            {
                "ours": lambda n: sides.ours(parts[n]),
                "in one process": lambda n: sides.in_one_process(parts[n]),
                "peer": lambda n: sides.peer(parts[n]),
            },
            rounds=rounds,
            count=size * UNITS,
            unit="units/s",
        )
    line = times_as_long(
        "forecast.sweep",
        speeds["ours"],
        "COPY of the same columns out and in, and one UPDATE",
        speeds["peer"],
        target=TARGET,
        n=size * rounds * UNITS,
        unit="units/s",
    )
    alone = times_as_long(
        "", speeds["in one process"], "", speeds["peer"], target=TARGET, n=line["n"], unit="units/s"
    )
    yield line | {
        "processes": processes,
        "in_one_process": {"ratio": alone["ratio"], "ratios": alone["ratios"]},
        "differing": sides.differing,
        "ok": line["ok"] and not sides.differing,
    }


_SET = f"""
UPDATE servicing_outlook o SET {", ".join(f"{name} = t.{name}" for name in RECKONED)}
FROM bench_outlook t WHERE o.operator_id = t.operator_id AND o.unit_id = t.unit_id
"""
_READ = """
COPY (SELECT operator_id, unit_id, site_id, history FROM servicing_unitstate WHERE operator_id = ANY(%s))
TO STDOUT (FORMAT binary)
"""
# Units are alike whose codes are the same in fleets that are alike.
_ALIKE = """
FROM bench_alike a
JOIN servicing_outlook o ON o.operator_id = a.operator_id
JOIN fleet_unit u ON u.operator_id = o.operator_id AND u.id = o.unit_id
JOIN fleet_unit like_u ON like_u.operator_id = a.first_id AND like_u.code = u.code
JOIN servicing_outlook f ON f.operator_id = like_u.operator_id AND f.unit_id = like_u.id
WHERE a.operator_id = ANY(%s)
"""
_READY = f"""
COPY (SELECT o.operator_id, o.unit_id, {", ".join(f"f.{n}" for n in RECKONED)} {_ALIKE})
TO STDOUT (FORMAT binary)
"""
_DIFFERING = f"""
SELECT count(*) {_ALIKE}
AND ({", ".join(f"o.{name}" for name in RECKONED)}) IS DISTINCT FROM ({", ".join(f"f.{name}" for name in RECKONED)})
"""


class _Sides:
    """Each gives its units a second; looking at what came out, and making the peer's rows ready, is not measured."""

    def __init__(
        self, superuser: psycopg.Connection[Any], operators: Sequence[UUID], workers: Workers
    ) -> None:
        self.superuser, self.workers, self.differing = superuser, workers, 0
        columns = ", ".join(RECKONED)
        superuser.execute(
            f"CREATE TEMP TABLE bench_outlook AS SELECT operator_id, unit_id, {columns} FROM servicing_outlook LIMIT 0"
        )
        superuser.execute("CREATE TEMP TABLE bench_alike (operator_id uuid, first_id uuid)")
        with superuser.cursor() as cursor:
            cursor.executemany(
                "INSERT INTO bench_alike VALUES (%s, %s)",
                [(one, operators[place % KINDS]) for place, one in enumerate(operators)],
            )

    def ours(self, operators: Sequence[UUID]) -> float:
        return self._refitted(operators, self.workers.refit)

    def in_one_process(self, operators: Sequence[UUID]) -> float:
        def refit_all(ids: Sequence[UUID]) -> None:
            for operator_id in ids:
                refit(actor=system_actor(operator_id))

        return self._refitted(operators, refit_all)

    def _refitted(self, operators: Sequence[UUID], refit_all: Callable[[Sequence[UUID]], None]) -> float:
        # Marked, so that what came out before is not taken for what comes out now.
        self.superuser.execute(
            "UPDATE servicing_outlook SET drift = 'before' WHERE operator_id = ANY(%s)", [operators]
        )
        began = time.perf_counter()
        refit_all(operators)
        speed = len(operators) * UNITS / (time.perf_counter() - began)
        (differing,) = self.superuser.execute(_DIFFERING, [operators]).fetchone() or (-1,)
        self.differing += differing
        return speed

    def peer(self, operators: Sequence[UUID]) -> float:
        ready = self._out(_READY, operators)
        began = time.perf_counter()
        self._out(_READ, operators)
        with self.superuser.transaction():
            self.superuser.execute("TRUNCATE bench_outlook")
            with self.superuser.cursor().copy("COPY bench_outlook FROM STDIN (FORMAT binary)") as into:
                into.write(ready)
            changed = self.superuser.execute(_SET).rowcount
        speed = len(operators) * UNITS / (time.perf_counter() - began)
        assert changed == len(operators) * UNITS, changed
        return speed

    def _out(self, query: str, operators: Sequence[UUID]) -> bytes:
        with self.superuser.cursor().copy(query, [operators]) as out:
            return b"".join(bytes(block) for block in out)
