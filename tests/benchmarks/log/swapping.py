"""Whole rebuilds, each with its swap, while crews upload one event at a time: what the swap costs them, and that nothing
is missed. The goal is of our own making; no peer rebuilds under load by the same public path.
"""

from __future__ import annotations

import itertools
import multiprocessing
import statistics
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from multiprocessing.synchronize import Event
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.db import connections

from accounts import clock
from servicing.commands import rebuilds
from tests.cast import Cast, new_cast

TARGET = 2.0  # the p99 of appends around a swap, of the p99 before
WRITERS = 2
AROUND_SECONDS = 1.0
# The writers pause between events, as crews do: a rebuild is to be measured, not two processes on one core.
PAUSE_SECONDS = 0.004


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 20 swaps over 20,000 stored events; else 3 over 1,000."""
    swaps, stored, baseline_seconds = (20, 20_000, 20.0) if full else (3, 1_000, 4.0)
    casts = [new_cast("swap", units=20) for _ in range(WRITERS)]
    for cast in casts:
        _fill(cast, stored // WRITERS)
    connections.close_all()
    began, swapped, held_ms, taken = _under_load(casts, swaps, baseline_seconds)
    before = [took for at, took in taken if at < began]
    near = [took for at, took in taken if any(abs(at - swap) <= AROUND_SECONDS for swap in swapped)]
    missed = sum(len(rebuilds.check(cast.operator.id)) for cast in casts)
    ratio = _p99(near) / _p99(before)
    each = [
        _p99([took for at, took in taken if abs(at - swap) <= AROUND_SECONDS]) / _p99(before)
        for swap in swapped
    ]
    yield {
        "name": "log.swap_under_load",
        "value": round(_p99(near) * 1_000, 2),
        "unit": "ms, p99 of one-event uploads within 1 s of a swap",
        "against": "p99 of the same uploads before the first rebuild",
        "against_value": round(_p99(before) * 1_000, 2),
        "ratio": round(ratio, 3),
        "ratios": [round(one, 3) for one in each],
        "target": TARGET,
        "ok": ratio <= TARGET and missed == 0 and len(swapped) == swaps,
        "rounds": swaps,
        "n": len(near),
        "n_before": len(before),
        "median_ms": [round(statistics.median(one) * 1_000, 2) for one in (before, near)],
        "held_ms": [round(ms, 1) for ms in held_ms],
        "missed": missed,
    }


def _p99(seconds: list[float]) -> float:
    return statistics.quantiles(seconds, n=100, method="inclusive")[98]


def _fill(cast: Cast, count: int) -> None:
    start = clock.now() - timedelta(days=300)
    cast.upload(*(cast.installed(unit, start, station=n) for n, unit in enumerate(cast.units)))
    turns = itertools.cycle(cast.units)
    for first in range(0, count, 500):
        cast.upload(
            *(
                cast.event("wick.checked", next(turns), start + timedelta(minutes=n), condition="good")
                for n in range(first, min(first + 500, count))
            )
        )


def _under_load(
    casts: list[Cast], swaps: int, baseline_seconds: float
) -> tuple[float, list[float], list[float], list[tuple[float, float]]]:
    """When the first rebuild began, when each swap ended, for how long each held the appends, and every upload: when and
    how long. Instants are of one monotonic clock, which all processes share.
    """
    context = multiprocessing.get_context("fork")
    ended = context.Event()
    with TemporaryDirectory() as folder:
        files = [Path(folder) / str(number) for number in range(len(casts))]
        writers = [
            context.Process(target=_write, args=(cast, ended, file))
            for cast, file in zip(casts, files, strict=True)
        ]
        for writer in writers:
            writer.start()
        time.sleep(baseline_seconds + 1)
        began, swapped, held_ms = time.monotonic(), [], []
        for number in range(swaps):
            rebuilt = rebuilds.rebuild_all(
                lambda line: swapped.append(time.monotonic()) if line == "swapped" else None
            )
            held_ms.append(rebuilt.held_ms)
            print(f"bench: swap {number + 1} of {swaps}, held {rebuilt.held_ms:.1f} ms", file=sys.stderr)
            time.sleep(AROUND_SECONDS)
        ended.set()
        for writer in writers:
            writer.join()
        lines = [line.split() for file in files for line in file.read_text().splitlines()]
    first = min(float(at) for at, _ in lines)
    # The first second warms the writers up.
    return began, swapped, held_ms, [(float(at), float(took)) for at, took in lines if float(at) > first + 1]


def _write(cast: Cast, ended: Event, file: Path) -> None:
    """Upload one event after the other until the end; write when each began and how long it took."""
    turns = itertools.cycle(cast.units)
    lines = []
    while not ended.is_set():
        event = cast.event("wick.checked", next(turns), clock.now(), condition="good")
        began = time.monotonic()
        (fate,) = cast.upload(event)
        assert fate.fate == "accepted", fate
        lines.append(f"{began} {time.monotonic() - began}")
        time.sleep(PAUSE_SECONDS)
    file.write_text("\n".join(lines))
    connections.close_all()
