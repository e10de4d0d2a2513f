"""Sides that are measured in turn: the order shuffled in each round, the ratios taken inside it."""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

SEED = 20_261


def interleave(
    sides: Mapping[str, Callable[[int], float | None]],
    *,
    rounds: int,
    count: int,
    before: Callable[[], None] | None = None,
    unit: str = "events/s",
) -> dict[str, list[float]]:
    """Each side's events (or what ``unit`` names) a second, one figure a round; a side is called with its number, from 0.

    Every side is called once before, unmeasured, with -1: connections, caches and plans are warm. ``before`` prepares
    each round, unmeasured. ``count``: events a round. A side that measures itself gives its events a second.
    """
    draw = random.Random(SEED)
    speeds: dict[str, list[float]] = {name: [] for name in sides}
    for side in sides.values():
        side(-1)
    for number in range(rounds):
        if before:
            before()
        order = list(sides)
        draw.shuffle(order)
        for name in order:
            began = time.perf_counter()
            own = sides[name](number)
            speeds[name].append(own or count / (time.perf_counter() - began))
        told = ", ".join(f"{name} {speeds[name][-1]:,.0f}" for name in sides)
        print(f"bench: round {number + 1} of {rounds}, {unit}: {told}", file=sys.stderr)
    return speeds


def compared(
    name: str,
    ours: Sequence[float],
    against: str,
    theirs: Sequence[float],
    *,
    target: float,
    n: int,
    unit: str = "events/s",
) -> dict[str, Any]:
    """The line of one comparison: the rounds' own ratios, their median, lowest and highest."""
    ratios = [one / other for one, other in zip(ours, theirs, strict=True)]
    return {
        "name": name,
        "value": round(statistics.median(ours), 1),
        "unit": unit,
        "against": against,
        "ratio": round(statistics.median(ratios), 3),
        "ratios": [round(ratio, 3) for ratio in ratios],
        "range": [round(min(ratios), 3), round(max(ratios), 3)],
        "target": target,
        "ok": statistics.median(ratios) >= target,
        "rounds": len(ratios),
        "n": n,
    }


def times_as_long(
    name: str,
    ours: Sequence[float],
    against: str,
    theirs: Sequence[float],
    *,
    target: float,
    n: int,
    unit: str,
) -> dict[str, Any]:
    """The same line where we may be slower: each ratio is our time over theirs, and ``target`` the most it may be."""
    line = compared(name, theirs, against, ours, target=target, n=n, unit=unit)
    return line | {
        "value": round(statistics.median(ours), 1),
        "ratio_is": "our time over theirs",
        "ok": line["ratio"] <= target,
    }
