"""Everybody at every door of the product with what is a rival's in their hands: nothing is told, and nothing changes.

The matrix is made from the URL configuration, the API's description, and the tables of roles and scopes (``tests.probes``).
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Iterator
from typing import Any

from config import embedded
from tests.integration.serving import as_in_the_tests
from tests.probes import ground
from tests.probes.matrix import Matrix, shown

SEED = 20_268
LEAST, RANDOM_SHORT, RANDOM_FULL = 2_000, 200, 50_000
TARGET = "0 leaks, 0 changed rows, every door probed, at least 2,000 probes"


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: every caller at every door, and 50,000 random probes more."""
    as_in_the_tests()
    # Each refusal is logged otherwise, and nearly all are refused.
    logging.disable(logging.WARNING)
    began = time.monotonic()
    with ground.made(servers.superuser_url) as here:
        built = time.monotonic()
        matrix = Matrix(here, is_whole=full)
        matrix.run()
        matrix.at_random(RANDOM_FULL if full else RANDOM_SHORT, SEED)
        matrix.by_made_up_ids()
        matrix.by_the_rival_itself()
        figures = matrix.figures()
    for line in (*shown(matrix.judge.findings, 200), *shown(matrix.judge.changed), *matrix.dead):
        print(f"drill: {line}", file=sys.stderr)
    seconds = {"making": round(built - began, 1), "probing": round(time.monotonic() - built, 1)}
    wrong = (
        *("leaks", "changed_rows", "not_probed", "not_described"),
        *("unknown_parts", "unknown_kinds", "not_looked_up", "dead"),
    )
    yield {
        "name": "isolation.probing",
        "figures": {**figures, "seconds": seconds},
        "target": TARGET,
        "ok": figures["probes"] >= LEAST and not any(figures[name] for name in wrong),
        "seed": SEED,
    }
