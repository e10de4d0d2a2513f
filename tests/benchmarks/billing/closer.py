"""Closes a month in a process of its own and says on standard output what it took, as JSON.

``python -m tests.benchmarks.billing.closer OPERATOR close|chunks|undo``: undo takes it back, and gives the digest that the
documents had; chunks is a worker's way, which goes on with what another process had begun. Each part that is done is told on
a line of its own, so that whoever watches can end the process in the middle.
"""

from __future__ import annotations

import hashlib
import json
import resource
import sys
import time
from typing import Any
from uuid import UUID

MIB = 1024
# Of a part of a close in chunks: so few that a small month has many.
SUBJECTS = 100


def main(operator_id: UUID, how: str) -> None:
    from django.db import OperationalError, transaction
    from psycopg.errors import LockNotAvailable

    from accounts import clock, tenancy
    from accounts.errors import Refusal
    from accounts.permissions import system_actor
    from billing.commands import closing
    from tests.benchmarks.billing.world import CLOSED_AT, MONTH

    actor = system_actor(operator_id)
    began = time.perf_counter()
    told: dict[str, Any] = {}
    with clock.playing(CLOSED_AT):
        if how == "undo":
            with tenancy.writing(actor):
                closing.close_in_scope(actor=actor, month=MONTH, progress=_tell)
                told = {"digest": digest_of_documents()}
                transaction.set_rollback(True)
        elif how == "chunks":
            told = _by_chunks(operator_id)
        else:
            try:
                closing.close_month(actor=actor, month=MONTH, progress=_tell)
            except Refusal as refusal:
                told = {"refused": refusal.code}
            except OperationalError as wait:
                # What the doors answer with 503: somebody else closes.
                if not isinstance(wait.__cause__, LockNotAvailable):
                    raise
                told = {"refused": "busy"}
    told["seconds"] = time.perf_counter() - began
    told["peak_mib"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MIB, 1)
    print(json.dumps(told), flush=True)


def _by_chunks(operator_id: UUID) -> dict[str, Any]:
    """Every message does one chunk. The first line says where this process takes the work up."""
    from unittest import mock

    from accounts import tenancy
    from accounts.jobs import long
    from accounts.permissions import system_actor
    from billing.commands import month_jobs
    from billing.projections import grouping
    from tests.benchmarks.billing.world import MONTH

    actor, shown = system_actor(operator_id), long.telling

    def telling(work: long.LongWork) -> Any:
        tell = shown(work)

        def told(done: int, of: int) -> None:
            tell(done, of)
            _tell(done, of)

        return told

    work = month_jobs.owe_close(actor=actor, month=MONTH)
    _tell(work.done, work.of)
    with (
        mock.patch.object(long, "telling", telling),
        mock.patch.object(month_jobs, "CHUNK_SECONDS", 0.1),
        mock.patch.object(grouping, "SUBJECTS_IN_A_PART", SUBJECTS),
    ):
        while work.ended_at is None:
            assert work.job_id is not None
            if not month_jobs.run_close(operator_id, work.job_id, seconds=0):
                time.sleep(0.1)
            with tenancy.reading(actor):
                work = long.LongWork.objects.get(id=work.id)
    return {} if work.outcome == "done" else {"refused": work.outcome}


def _tell(done: int, parts: int) -> None:
    print(json.dumps({"done": done, "parts": parts}), flush=True)


def digest_of_documents() -> str:
    """Over every document's bytes as issued, and its e-invoice's, in the order of the numbers; inside a scope."""
    from billing.models import Document

    whole = hashlib.sha256()
    rows = Document.objects.order_by("number").values_list("number", "document_sha256", "ubl_sha256")
    for row in rows.iterator():
        whole.update("|".join(row).encode())
    return whole.hexdigest()


if __name__ == "__main__":
    import django

    django.setup()
    main(UUID(sys.argv[1]), sys.argv[2])
