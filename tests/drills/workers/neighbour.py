"""One operator is owed 100,000 jobs at once, beside 99 that are owed a few each second: these must hardly feel it.

Twice the same load of the small ones by the same relay and worker: first alone, then while the large one's jobs are done. What
each is late by is read from the rows. The large one's are far from done when the measuring ends; how many were done in the
meantime is printed. How much this machine does is measured first: the small ones' load is a sixth of it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import psycopg

from config import supervisor
from tests.drills.workers.crowd import (
    REFRESH,
    SEAL,
    at,
    at_work,
    lags,
    operators,
    owe,
    say,
    undone,
    wait_until,
)

SMALL = 99
TARGET = "small ones' p95 lag <= 2x unloaded, all of theirs done, and the large one's go on meanwhile"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 100,000 jobs, and 90 s of each load; else 20,000 and 12 s."""
    backlog, seconds = (100_000, 90) if full else (20_000, 12)
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        at_work(servers, supervisor.worker(), supervisor.relay()),
    ):
        small, large = operators(superuser, SMALL, "small"), operators(superuser, 1, "large")
        rate = _rate(superuser, small) / 6
        say(f"{SMALL} small operators alone, {rate:.1f} jobs a second")
        alone = _load(superuser, small, seconds, rate, "alone")
        say(f"and beside one that is owed {backlog:,} jobs")
        owe(superuser, large, backlog // 2, kind=SEAL, key="large")
        owe(superuser, large, backlog - backlog // 2, kind=REFRESH, key="large-too")
        began = time.monotonic()
        beside = _load(superuser, small, seconds, rate, "beside")
        left = undone(superuser, "large") + undone(superuser, "large-too")
        took = time.monotonic() - began
        late = undone(superuser, "alone") + undone(superuser, "beside")
    done = backlog - left
    ratio = at(beside, 0.95) / max(at(alone, 0.95), 0.001)
    yield {
        "name": "workers.neighbour",
        "figures": {
            "operators": SMALL + 1,
            "large_jobs": backlog,
            "large_done_meanwhile": done,
            "large_done_a_second": round(done / took, 1),
            "small_jobs": len(alone) + len(beside),
            "small_undone": late,
            "alone_p50_s": at(alone, 0.5),
            "alone_p95_s": at(alone, 0.95),
            "beside_p50_s": at(beside, 0.5),
            "beside_p95_s": at(beside, 0.95),
            "beside_most_s": at(beside, 1.0),
            "ratio_of_p95": round(ratio, 2),
        },
        "target": TARGET,
        "ok": ratio <= 2 and late == 0 and 0 < done < backlog,
    }


def _rate(superuser: psycopg.Connection[Any], small: list[Any]) -> float:
    """How many jobs a second the workers do, once they have begun."""
    owe(superuser, small, 1, key="first")
    if not wait_until(lambda: undone(superuser, "first") == 0, 180):
        raise RuntimeError("The workers did nothing for three minutes.")
    owe(superuser, small, 5, key="second")
    began = time.monotonic()
    wait_until(lambda: undone(superuser, "second") == 0, 180)
    return 5 * len(small) / (time.monotonic() - began)


def _load(
    superuser: psycopg.Connection[Any], small: list[Any], seconds: int, rate: float, key: str
) -> list[float]:
    """Jobs of the small ones, one after the other, for at least so many seconds; what each was late by."""
    each = max(1, round(rate * seconds / len(small)))
    lasts = each * len(small) / rate
    owe(superuser, small, each, key=key, over_seconds=lasts)
    time.sleep(lasts)
    wait_until(lambda: undone(superuser, key) == 0, 60)
    return lags(superuser, key)
