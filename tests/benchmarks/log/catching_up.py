"""Folding what was loaded: pages of 2,000 with the checkpoint in the transaction, against COPY out and one by one.

The limit copies the round's rows out of the log in binary and drops them. One by one is the same fold with one event a
transaction. Afterwards what is folded must be what the log gives.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import psycopg

from accounts import tenancy
from servicing.commands.rebuilds import check
from servicing.commands.uploads import fold_pending
from servicing.projections.folding import fold_page, lock_for_folding
from tests.benchmarks.log.uploading import VISIT, World
from tests.benchmarks.rounds import compared, interleave

ROUNDS = 3
OF_COPY_OUT = 0.15
OF_ONE_BY_ONE = 20


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,300 visits, 40,300 events, a round, 600 events one by one; else 130 and 60."""
    visits, ones = (1_300, 600) if full else (130, 60)
    events = visits * VISIT
    paged, single = World("paged"), World("single")
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:

        def before() -> None:
            paged.load(paged.visits(visits))
            single.load(single.visits(-(-ones // VISIT)))

        def one_by_one(_: int) -> float:
            began = time.perf_counter()
            for _ in range(ones):
                with tenancy.writing(single.cast.owner):
                    lock_for_folding(single.cast.operator.id)
                    assert fold_page(1) == 1
            speed = ones / (time.perf_counter() - began)
            fold_pending(actor=single.cast.owner)
            return speed

        def fold(number: int) -> None:
            folded = fold_pending(actor=paged.cast.owner)
            assert folded == (events if number >= 0 else VISIT), folded

        paged.load(paged.visits(1))
        single.load(single.visits(-(-ones // VISIT)))
        speeds = interleave(
            {
                "COPY out": lambda _: _copy_out(superuser, str(paged.cast.operator.id), events),
                "fold_pending": fold,
                "one by one": one_by_one,
            },
            rounds=ROUNDS,
            count=events,
            before=before,
        )
    assert not (wrong := check(paged.cast.operator.id)), wrong[:3]
    ours = speeds["fold_pending"]
    yield compared(
        "log.catch_up",
        ours,
        "COPY out of the same rows",
        speeds["COPY out"],
        target=OF_COPY_OUT,
        n=events,
    )
    yield compared(
        "log.catch_up_pages",
        ours,
        "the same fold, one event a transaction",
        speeds["one by one"],
        target=OF_ONE_BY_ONE,
        n=events,
    )


def _copy_out(connection: psycopg.Connection[Any], operator_id: str, count: int) -> None:
    rows = f"SELECT * FROM servicing_event WHERE operator_id = '{operator_id}' ORDER BY position DESC LIMIT {count}"
    with connection.cursor().copy(f"COPY ({rows}) TO STDOUT (FORMAT binary)") as out:
        assert sum(len(block) for block in out) > count
