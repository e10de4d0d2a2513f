"""The invented world played through the public commands, step by step as it happened, against COPY of the same rows.

Each operator is a round: opened, its uploads and office entries recorded, its months closed; then its rows are copied.
"""

from __future__ import annotations

import logging
import resource
import statistics
import sys
import time
from collections.abc import Iterator
from datetime import date
from typing import Any

import psycopg

from demo_tenant.operators import OPERATORS
from demo_tenant.presets import Preset, span_of
from demo_tenant.seed import Played, play
from demo_tenant.setting import Setting
from demo_tenant.story import Story, tell_each, tell_in

TARGET = 0.05  # of COPY; closing months stands beside it, since it appends nothing
AS_OF = date(2026, 11, 24)
SEED = "bench"
SHORT = "two months of one crew's sites"
COPIES = 3
PASSWORD = "of nobody outside a benchmark"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: the preset of three years, some 468,000 events; else two months of the sites of one crew."""
    # One line a job of the play would bury the figures.
    logging.getLogger("celery.app.trace").setLevel(logging.WARNING)
    played: list[Played] = []
    ratios: list[float] = []
    for story in tell_each("full", AS_OF, SEED) if full else _short_stories():
        one = play(story, PASSWORD, _say)
        copying = _copy_seconds(servers.superuser_url, str(story.master.id))
        played.append(one)
        ratios.append(copying / (one.seconds - one.closing_seconds))
        _say(
            f"{story.master.slug}: {one.accepted:,} events in {one.seconds:.0f} s, copied in {copying:.2f} s"
        )
    yield _line(played, ratios, "full" if full else SHORT)


def _line(played: list[Played], ratios: list[float], preset: str) -> dict[str, Any]:
    events = sum(one.accepted for one in played)
    seconds, closing = sum(one.seconds for one in played), sum(one.closing_seconds for one in played)
    return {
        "name": "log.full_world",
        "value": round(events / (seconds - closing), 1),
        "unit": "events/s",
        "against": "COPY of the same rows into a twin of the log",
        "ratio": round(statistics.median(ratios), 4),
        "ratios": [round(ratio, 4) for ratio in ratios],
        "target": TARGET,
        "ok": statistics.median(ratios) >= TARGET,
        "rounds": len(ratios),
        "n": events,
        "preset": preset,
        "seconds": round(seconds, 1),
        "closing_seconds": round(closing, 1),
        "peak_rss_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }


def _short_stories() -> Iterator[Story]:
    """As many sites as one crew has in the full world, so that a day's upload is as large as there."""
    for plan in OPERATORS:
        preset = Preset(SHORT, months=2, scale=1 / plan.crews, crews_scale=1 / plan.crews)
        yield tell_in(Setting(plan, preset, span_of(preset, AS_OF), SEED))


def _copy_seconds(superuser_url: str, operator_id: str) -> float:
    """COPY the operator's rows into a twin of the log with its keys, indexes and checks: the median of some."""
    rows = f"SELECT * FROM servicing_event WHERE operator_id = '{operator_id}' ORDER BY position"
    with psycopg.connect(superuser_url, autocommit=True) as connection:
        with connection.cursor().copy(f"COPY ({rows}) TO STDOUT") as out:
            text = b"".join(bytes(block) for block in out)
        seconds = statistics.median(_copy_once(connection, text) for _ in range(COPIES))
        connection.execute("DROP TABLE world_twin")
        return seconds


def _copy_once(connection: psycopg.Connection[Any], text: bytes) -> float:
    connection.execute("DROP TABLE IF EXISTS world_twin")
    connection.execute("CREATE TABLE world_twin (LIKE servicing_event INCLUDING ALL)")
    began = time.perf_counter()
    with connection.cursor().copy("COPY world_twin FROM STDIN") as into:
        into.write(text)
    return time.perf_counter() - began


def _say(text: str) -> None:
    print(f"bench: {text}", file=sys.stderr)
