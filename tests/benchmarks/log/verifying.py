"""Verifying the sealed log, each row read, hashed twice and put into its tree, against COPY of the same rows out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import psycopg

from accounts import tenancy
from accounts.permissions import system_actor
from servicing.commands.seals import seal
from servicing.queries.verifying import verify
from tests.benchmarks.log.append import append
from tests.benchmarks.log.batches import Phone, new_operator
from tests.benchmarks.log.reading import _copy_out
from tests.benchmarks.rounds import compared, interleave

ROUNDS = 3


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 200,000 events verified; else 20,000."""
    number = 200_000 if full else 20_000
    operator_id, phone = new_operator("verifying"), Phone(8)
    for _ in range(number // 1_000):
        append(operator_id, phone.events(1_000))
    seal(actor=system_actor(operator_id), at_once=True)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        superuser.execute("VACUUM ANALYZE servicing_event")
        sides = {
            "ours": lambda _: _verify(operator_id, number),
            "copy": lambda _: _copy_out(superuser, operator_id),
        }
        speeds = interleave(sides, rounds=ROUNDS, count=number)
    copy = "COPY of the same rows out, binary, not decoded"
    yield compared("log.verify", speeds["ours"], copy, speeds["copy"], target=0.3, n=number)


def _verify(operator_id: UUID, number: int) -> None:
    with tenancy.operator_scope(operator_id, read_only=True):
        found = verify()
    assert (found.events, found.faults) == (number, ()), f"{found.events} events, {found.faults}"
