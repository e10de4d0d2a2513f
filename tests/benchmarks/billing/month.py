"""A month's close, from the log to issued documents, against the same sums by one set-based statement of a superuser.

Ours runs in a process of its own under its policies and stores dispositions, charges, documents with their e-invoices
and the journal; the peer only adds up. Each round has an operator of its own. What was issued is held against what the
statement says, payer by payer, to the cent.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from typing import Any
from uuid import UUID, uuid4

import psycopg

from billing.queries.auditing.running import audit
from tests.benchmarks.billing.running import ended, started
from tests.benchmarks.billing.sums import issued, sums
from tests.benchmarks.billing.world import CHARGES_A_SITE, make_world
from tests.benchmarks.rounds import interleave, times_as_long

TARGET = 10
MOST_MIB = 2048
MOST_GROWTH = 1.25
PEER = "one set-based SQL statement that adds up the same, and stores nothing"


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 100,000 sites beside 1,000; else 1,000 beside 200. Three rounds of the small, one of the large."""
    few, many = (1_000, 100_000) if full else (200, 1_000)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        small = _Sized(superuser, few, rounds=3)
        yield from small.lines("billing.month_small", f"{few:,} sites")
        big = _Sized(superuser, many, rounds=1)
        yield from big.lines("billing.month", f"{many:,} sites")
        yield {
            "name": "billing.memory",
            "value": max(big.peaks),
            "unit": "MiB at most",
            "against": f"limit of {MOST_MIB} MiB; the small month took {max(small.peaks)} MiB",
            "target": MOST_MIB,
            "ok": max(big.peaks) <= MOST_MIB,
            "rounds": len(big.peaks),
            "n": many,
        }
        yield _audited(big)
        grown = big.ms_a_site / small.ms_a_site
        yield {
            "name": "billing.cost_a_site",
            "value": round(big.ms_a_site, 3),
            "unit": "ms a site",
            "against": f"{round(small.ms_a_site, 3)} ms a site of {few:,}",
            "ratio": round(grown, 3),
            "target": MOST_GROWTH,
            "ok": grown <= MOST_GROWTH,
            "rounds": len(big.seconds),
            "n": many,
        }


class _Sized:
    """Rounds of operators with so many sites, closed by us and summed by the peer in turn."""

    def __init__(self, superuser: psycopg.Connection[Any], sites: int, *, rounds: int) -> None:
        self.superuser, self.sites = superuser, sites
        self.seconds: list[float] = []
        self.peaks: list[float] = []
        self.differing = 0
        self.charges = 0
        warm = uuid4()
        make_world(superuser, warm, 100)
        self.operators = [uuid4() for _ in range(rounds)]
        for number, operator_id in enumerate(self.operators, 1):
            began = time.perf_counter()
            make_world(superuser, operator_id, sites)
            _say(
                f"world {number} of {rounds} with {sites:,} sites made in {time.perf_counter() - began:.0f} s"
            )
        self.speeds = interleave(
            {
                "ours": lambda n: self._close(warm if n < 0 else self.operators[n]),
                "peer": lambda n: self._sum(warm if n < 0 else self.operators[n]),
            },
            rounds=rounds,
            count=sites * CHARGES_A_SITE,
            unit="charges/s",
        )
        for operator_id in self.operators:
            self._compare(operator_id)

    @property
    def ms_a_site(self) -> float:
        return 1_000 * statistics.median(self.seconds) / self.sites

    def lines(self, name: str, size: str) -> Iterator[dict[str, Any]]:
        line = times_as_long(
            name,
            self.speeds["ours"],
            PEER,
            self.speeds["peer"],
            target=TARGET,
            n=self.charges,
            unit="charges/s",
        )
        yield line | {
            "size": size,
            "seconds": round(statistics.median(self.seconds), 2),
            "peak_mib": max(self.peaks),
            "charges": self.charges,
            "payers_differing": self.differing,
            "ok": line["ok"] and not self.differing and self.charges > 0,
        }

    def _close(self, operator_id: UUID) -> float:
        """Charges a second, by the process's own time: starting Python is not measured."""
        closed = ended(started(operator_id))
        assert not closed.refused, closed.refused
        if operator_id in self.operators:
            self.seconds.append(closed.seconds)
            self.peaks.append(closed.peak_mib)
        return self.sites * CHARGES_A_SITE / closed.seconds

    def _sum(self, operator_id: UUID) -> None:
        assert sums(self.superuser, operator_id)

    def _compare(self, operator_id: UUID) -> None:
        # Autovacuum may not have been here yet, and a plan for empty tables would take hours over full ones.
        self.superuser.execute("ANALYZE")
        ours, theirs = issued(self.superuser, operator_id), sums(self.superuser, operator_id)
        self.charges += sum(one.charges for one in ours.values())
        self.differing += sum(ours.get(payer) != theirs.get(payer) for payer in ours.keys() | theirs.keys())


def _audited(big: _Sized) -> dict[str, Any]:
    """The nightly audit over the large month: it finds nothing, in no more time than the close took."""
    began = time.perf_counter()
    found = audit(big.operators[0])
    seconds = time.perf_counter() - began
    closing = statistics.median(big.seconds)
    return {
        "name": "billing.audit",
        "value": round(seconds, 2),
        "unit": "s",
        "against": f"the close of the same month, {closing:.2f} s",
        "ratio": round(seconds / closing, 3),
        "breaches": [one.sentence for one in found.breaches[:5]],
        "target": 1,
        "ok": not found.breaches and seconds <= closing and found.charges == big.charges,
        "rounds": 1,
        "n": found.charges,
    }


def _say(text: str) -> None:
    print(f"bench: {text}", file=sys.stderr)
