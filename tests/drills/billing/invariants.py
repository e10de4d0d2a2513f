"""The invariants of billing over many random worlds: a line for each property, with the smallest world that breaks it."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from typing import Any

from tests.billing.invariants import PROPERTIES, SEED, Property, tried

FULL, SHORT = 20_400, 480
MOST_TOLD = 2_000


def run(_: None, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: more than 20,000 cases over all properties; else some hundreds."""
    each = (FULL if full else SHORT) // len(PROPERTIES)
    for one in PROPERTIES:
        print(f"drill: {one.sentence}", file=sys.stderr)
        yield _line(one, each)


def _line(one: Property, examples: int) -> dict[str, Any]:
    began, broken, cases = time.perf_counter(), "", 0
    try:
        cases = tried(one, examples)
    except AssertionError as fault:
        broken = "\n".join([str(fault), *getattr(fault, "__notes__", [])])[:MOST_TOLD]
    return {
        "name": f"billing.{one.sentence.replace(' ', '_')}",
        "figures": {
            "invariants": list(one.numbers),
            "cases": cases,
            "seconds": round(time.perf_counter() - began, 1),
            "broken_by": broken,
        },
        "target": f"it holds in {examples} cases",
        "ok": not broken and cases >= examples,
        "seed": SEED,
    }
