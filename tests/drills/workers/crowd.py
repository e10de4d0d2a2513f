"""What the workers' drills share: many operators, jobs owed to them by the thousand, real workers, and how late things were done."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg

from accounts.ids import uuid7
from config import embedded, supervisor

ROOT = Path(__file__).resolve().parents[3]
SEAL = "servicing.tasks.seal"
REFRESH = "servicing.tasks.refresh_due"


def say(text: str) -> None:
    print(f"drill: {text}", file=sys.stderr, flush=True)


def operators(superuser: psycopg.Connection[Any], number: int, slug: str) -> list[UUID]:
    """So many operators with nothing but their names, made at once."""
    made = [uuid7() for _ in range(number)]
    superuser.execute(
        "INSERT INTO accounts_operator (id, slug, name, legal_name, currency, minor_units, zone, locale, measures) "
        "SELECT id, %(slug)s || '-' || right(id::text, 12), %(slug)s, %(slug)s, 'EUR', 2, 'Europe/Berlin', 'en-GB', 'metric' "
        "FROM unnest(%(ids)s::uuid[]) AS t (id)",
        {"slug": slug, "ids": made},
    )
    return made


def owe(
    superuser: psycopg.Connection[Any],
    operator_ids: Sequence[UUID],
    each: int,
    *,
    kind: str = SEAL,
    key: str,
    over_seconds: float = 0.0,
) -> None:
    """So many jobs of a kind for each, due now, or evenly over some seconds from now on."""
    superuser.execute(
        "INSERT INTO accounts_job (id, operator_id, kind, dedup_key, ref, run_at, attempts, last_error) "
        "SELECT gen_random_uuid(), o, %(kind)s, %(key)s || '/' || n, '', "
        "now() + make_interval(secs => %(over)s * (n - 1 + o_number::float / %(operators)s) / %(each)s), 0, '' "
        "FROM unnest(%(ids)s::uuid[]) WITH ORDINALITY AS t (o, o_number), generate_series(1, %(each)s) n",
        {
            "ids": list(operator_ids),
            "operators": len(operator_ids),
            "each": each,
            "kind": kind,
            "key": key,
            "over": over_seconds,
        },
    )
    superuser.execute("ANALYZE accounts_job")


def undone(superuser: psycopg.Connection[Any], key: str) -> int:
    row = superuser.execute(
        "SELECT count(*) FROM accounts_job WHERE dedup_key LIKE %s AND done_at IS NULL", [f"{key}/%"]
    ).fetchone()
    return int(row[0]) if row else 0


def lags(superuser: psycopg.Connection[Any], key: str) -> list[float]:
    """Seconds from when each job was due until it was done, in their order."""
    rows = superuser.execute(
        "SELECT extract(epoch FROM done_at - run_at)::float FROM accounts_job "
        "WHERE dedup_key LIKE %s AND done_at IS NOT NULL ORDER BY 1",
        [f"{key}/%"],
    ).fetchall()
    return [float(row[0]) for row in rows]


def at(values: Sequence[float], share: float) -> float:
    """A quantile of values in their order, by the nearest rank; 0 of none."""
    return round(values[min(len(values) - 1, int(share * len(values)))], 3) if values else 0.0


def wait_until(holds: Callable[[], bool], seconds: float, pause: float = 0.2) -> bool:
    """Whether it came to hold in time."""
    deadline = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > deadline:
            return False
        time.sleep(pause)
    return True


@contextmanager
def at_work(
    servers: embedded.Servers, *parts: supervisor.Part, **more: str
) -> Iterator[supervisor.Supervisor]:
    """Processes of the product on the drill's servers, with settings of their own; they end with the block."""
    env = {
        **servers.environment(),
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "WICKROUND_HTTPS": "no",
        "WICKROUND_SECRET_KEY": "the drill signs with these words",
        "WICKROUND_LOG_LEVEL": "ERROR",
        "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]),
        **more,
    }
    with supervisor.Supervisor(env) as running:
        for part in parts:
            running.start(part)
        yield running
