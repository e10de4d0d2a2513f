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
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing.synchronize import Event
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.db import connections

from accounts import clock
from servicing.commands import rebuilds
from tests.cast import Cast, new_cast

TARGET = 2.0  # the p99 of appends around the swaps, of the p99 before the rebuilds
WRITERS = 2
BEFORE_SECONDS = 2.0
AROUND_SECONDS = 1.0
# The writers pause between events, as crews do: a rebuild is to be measured, not two processes on one core.
PAUSE_SECONDS = 0.004

Upload = tuple[float, float]  # when it began, and how many seconds it took


@dataclass(frozen=True, slots=True)
class Round:
    """When a rebuild began and when it had swapped, by the monotonic clock that all processes share."""

    began: float
    swapped: float
    held_ms: float

    def before(self, uploads: list[Upload]) -> list[float]:
        return [took for at, took in uploads if self.began - BEFORE_SECONDS <= at < self.began]

    def around(self, uploads: list[Upload]) -> list[float]:
        return [took for at, took in uploads if abs(at - self.swapped) <= AROUND_SECONDS]


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 20 swaps over 20,000 stored events; else 3 over 1,000."""
    swaps, stored = (20, 20_000) if full else (3, 1_000)
    casts = [new_cast("swap", units=20) for _ in range(WRITERS)]
    for cast in casts:
        _fill(cast, stored // WRITERS)
    connections.close_all()
    rounds, uploads = _under_load(casts, swaps)
    before = [took for one in rounds for took in one.before(uploads)]
    around = [took for one in rounds for took in one.around(uploads)]
    missed = sum(len(rebuilds.check(cast.operator.id)) for cast in casts)
    ratio = _p99(around) / _p99(before)
    yield {
        "name": "log.swap_under_load",
        "value": round(_p99(around) * 1_000, 2),
        "unit": "ms, p99 of one-event uploads within 1 s of a swap",
        "against": f"p99 of the same uploads in the {BEFORE_SECONDS:.0f} s before each rebuild",
        "against_value": round(_p99(before) * 1_000, 2),
        "ratio": round(ratio, 3),
        "ratios": [round(_p99(one.around(uploads)) / _p99(one.before(uploads)), 3) for one in rounds],
        "target": TARGET,
        "ok": ratio <= TARGET and missed == 0 and len(rounds) == swaps,
        "rounds": swaps,
        "n": len(around),
        "n_before": len(before),
        "median_ms": [round(statistics.median(one) * 1_000, 2) for one in (before, around)],
        "held_ms": [round(one.held_ms, 1) for one in rounds],
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


def _under_load(casts: list[Cast], swaps: int) -> tuple[list[Round], list[Upload]]:
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
        rounds = [_round(number, swaps) for number in range(1, swaps + 1)]
        time.sleep(AROUND_SECONDS)
        ended.set()
        for writer in writers:
            writer.join()
        lines = [line.split() for file in files for line in file.read_text().splitlines()]
    return rounds, [(float(at), float(took)) for at, took in lines]


def _round(number: int, swaps: int) -> Round:
    time.sleep(
        AROUND_SECONDS + BEFORE_SECONDS
    )  # past what is around the last swap, and the writers' first steps
    swapped: list[float] = []
    began = time.monotonic()
    rebuilt = rebuilds.rebuild_all(
        lambda line: swapped.append(time.monotonic()) if line == "swapped" else None
    )
    print(f"bench: swap {number} of {swaps}, held {rebuilt.held_ms:.1f} ms", file=sys.stderr)
    return Round(began, swapped[0], rebuilt.held_ms)


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
