"""Uploads through the public command, with its checks, its hash, its lock and its fold, against COPY of the same rows."""

from __future__ import annotations

import resource
import statistics
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg

from fleet import commands as fleet_commands
from tests.cast import Cast, new_cast

ROUNDS = 3
TARGET = 0.03  # of COPY, the whole command with its inline fold
STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 50,000 events a round; else 5,000."""
    events_a_round = 50_000 if full else 5_000
    cast = new_cast("bench", units=40)
    figures = [_round(cast, servers, number, events_a_round) for number in range(ROUNDS)]
    ratios = [copy_seconds / ours_seconds for ours_seconds, copy_seconds in figures]
    ours = statistics.median(events_a_round / seconds for seconds, _ in figures)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    yield {
        "name": "log.upload_500",
        "value": round(ours, 1),
        "unit": "events/s",
        "against": "COPY of the same rows into a twin of the log",
        "ratio": round(statistics.median(ratios), 4),
        "ratios": [round(ratio, 4) for ratio in ratios],
        "target": TARGET,
        "ok": statistics.median(ratios) >= TARGET,
        "rounds": ROUNDS,
        "n": events_a_round,
        "peak_rss_mib": round(peak_mib, 1),
    }


def _round(cast: Cast, servers: Any, number: int, count: int) -> tuple[float, float]:
    units = fleet_commands.print_labels(
        actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=count // 50
    )
    events = _events(cast, units, count)
    print(f"bench: round {number + 1} of {ROUNDS}, {len(events)} events", file=sys.stderr)
    began = time.perf_counter()
    for start in range(0, len(events), 500):
        fates = cast.upload(*events[start : start + 500])
        assert {fate.fate for fate in fates} == {"accepted"}
    ours = time.perf_counter() - began
    copy = _copy_seconds(servers.superuser_url, str(cast.operator.id), count)
    print(f"bench: {count / ours:,.0f} events/s uploaded, {count / copy:,.0f} rows/s copied", file=sys.stderr)
    return ours, copy


def _events(cast: Cast, units: list[Any], count: int) -> list[dict[str, Any]]:
    """Visits month by month: each unit installed, then an exchange, a wick check and a level a month."""
    events = [
        cast.installed(unit, STARTED + timedelta(seconds=n), station=n % len(cast.stations))
        for n, unit in enumerate(units)
    ]
    month = 0
    while len(events) < count:
        month += 1
        for n, unit in enumerate(units):
            at = STARTED + timedelta(days=month * 3, seconds=n * 4)
            events += [
                cast.exchanged(unit, at),
                cast.event("wick.checked", unit, at + timedelta(seconds=1), condition="good"),
                cast.event(
                    "level.read", unit, at + timedelta(seconds=2), cartridge_left_ml=280, reservoir_ml=20
                ),
            ]
    return events[:count]


def _copy_seconds(superuser_url: str, operator_id: str, count: int) -> float:
    """COPY the round's rows, as text made beforehand, into a twin of the log: the same keys, indexes and checks.

    The median of five: one COPY of a short round is over before a noisy machine is fair to it.
    """
    rows = f"SELECT * FROM servicing_event WHERE operator_id = '{operator_id}' ORDER BY position DESC LIMIT {count}"
    with psycopg.connect(superuser_url, autocommit=True) as connection:
        with connection.cursor().copy(f"COPY ({rows}) TO STDOUT") as out:
            text = b"".join(bytes(block) for block in out)
        return statistics.median(_copy_once(connection, text) for _ in range(5))


def _copy_once(connection: psycopg.Connection[Any], text: bytes) -> float:
    connection.execute("DROP TABLE IF EXISTS log_twin")
    connection.execute("CREATE TABLE log_twin (LIKE servicing_event INCLUDING ALL)")
    began = time.perf_counter()
    with connection.cursor().copy("COPY log_twin FROM STDIN") as into:
        into.write(text)
    return time.perf_counter() - began
