"""The isolation taken apart, one piece at a time: each weakening of the database must be named by the audit, and each of the
code noticed by a check of the permission table.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

from tests.drills.isolation.mutants import code, database

TARGET = "every mutant caught, and those of the database by name"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: each mutant of the database by itself; else those that do not touch each other at once, each still by its own
    name. Those of the code are always alone.
    """
    logging.disable(logging.CRITICAL)
    for name, make in (
        ("isolation.mutants_of_the_database", database.play),
        ("isolation.mutants_of_the_code", code.play),
    ):
        yield _line(name, make, servers, full=full)


def _line(name: str, make: Callable[..., dict[str, Any]], servers: Any, *, full: bool) -> dict[str, Any]:
    print(f"drill: {name}", file=sys.stderr)
    began = time.perf_counter()
    figures = make(servers, full=full)
    figures["seconds"] = round(time.perf_counter() - began, 1)
    return {
        "name": name,
        "value": figures["missed"],
        "unit": "mutants not caught",
        "figures": figures,
        "target": TARGET,
        "ok": figures["missed"] == 0
        and figures["gaps_before"] == figures["gaps_after"] == 0
        and figures["caught"] == figures["mutants"] >= make.least,  # type: ignore[attr-defined]
        "seed": 0,
    }
