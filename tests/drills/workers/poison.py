"""Jobs that fail every time, one by a fault and one by ending its worker: each is put aside after five attempts, once.

Meanwhile the jobs of the others, and other jobs of the same operators, are done as if nothing were. Then the cause is taken
away and the one is tried again, which does it; the other fails five more times and is given up.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
from django.db import connections

from accounts import jobs, tenancy
from accounts.commands import quarantine
from accounts.commands.auditing import CHECK
from accounts.models import Job
from accounts.permissions import Actor
from config import supervisor
from tests.cast import new_cast
from tests.drills.workers.crowd import REFRESH, at, at_work, lags, operators, owe, say, undone, wait_until

LEASE_SECONDS = 3
ATTEMPTS = jobs.MOST_ATTEMPTS
# A worker that was ended begins anew within this; until then what it was at waits for its lease.
MOST_LATE_SECONDS = 5
TARGET = (
    "each put aside after 5 attempts, once; all others done, p95 lag <= 5 s or 2x that without; replay does the one, "
    "give-up ends the other"
)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 200 others for a minute without it and a minute beside it; else 30 for ten seconds each."""
    others, seconds = (200, 60) if full else (30, 10)
    faulty, deadly = new_cast("faulty"), new_cast("deadly")
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        at_work(servers, supervisor.worker(), supervisor.relay(), WICKROUND_LEASE_SECONDS=str(LEASE_SECONDS)),
    ):
        crowd = operators(superuser, others, "other")
        owe(superuser, crowd, 1, key="first")
        if not wait_until(lambda: undone(superuser, "first") == 0, 120):
            raise RuntimeError("The workers did nothing for two minutes.")
        say(f"{others} others alone")
        alone = _load(superuser, crowd, seconds, "alone")
        with _deaths(servers, deadly.operator.id) as ended:
            say("two jobs fail every time, one of them by ending its worker")
            bad, worse = _owe(faulty.owner, "no site at all"), _owe(deadly.owner, str(deadly.site.id))
            same = [faulty.operator.id, deadly.operator.id]
            owe(superuser, same, 3, kind=CHECK, key="beside", over_seconds=seconds)
            late = _load(superuser, crowd, seconds, "beside")
            aside = [_is_aside(superuser, one, 90) for one in (bad, worse)]
        all_done = wait_until(lambda: undone(superuser, "alone") + undone(superuser, "beside") == 0, 60)
        attempts = [_row(superuser, one)[0] for one in (bad, worse)]
        deaths = len(ended)
        say("the cause of one is gone; both are tried again")
        _replay(faulty.owner, bad)
        _replay(deadly.owner, worse)
        done_again = wait_until(lambda: _row(superuser, worse)[1] is not None, 60)
        aside_again = _is_aside(superuser, bad, 90)
        quarantine.give_up(actor=faulty.owner, job_id=bad)
        time.sleep(2 * LEASE_SECONDS)
        given_up = _row(superuser, bad)
    connections.close_all()
    yield {
        "name": "workers.poison",
        "figures": {
            "put_aside": sum(aside),
            "attempts": attempts,
            "workers_ended": deaths,
            "others": len(late),
            "others_all_done": all_done,
            "others_alone_p95_s": at(alone, 0.95),
            "others_p50_s": at(late, 0.5),
            "others_p95_s": at(late, 0.95),
            "replayed_and_done": done_again,
            "replayed_and_put_aside_again": aside_again,
            "attempts_after_giving_up": given_up[0] - ATTEMPTS,
        },
        "target": TARGET,
        "ok": all(aside)
        and attempts == [ATTEMPTS, ATTEMPTS]
        and deaths == ATTEMPTS
        and all_done
        and at(late, 0.95) <= max(2 * at(alone, 0.95), MOST_LATE_SECONDS)
        and done_again
        and aside_again
        and given_up[0] == ATTEMPTS,
    }


def _load(superuser: psycopg.Connection[Any], crowd: list[UUID], seconds: int, key: str) -> list[float]:
    """Two jobs of each of the others, one after the other; what each was late by."""
    owe(superuser, crowd, 2, key=key, over_seconds=seconds)
    time.sleep(seconds)
    wait_until(lambda: undone(superuser, key) == 0, 120)
    return lags(superuser, key)


def _owe(actor: Actor, ref: str) -> UUID:
    with tenancy.writing(actor):
        jobs.enqueue(kind=REFRESH, dedup_key=f"poison/{ref}", ref=ref)
        return Job.objects.get(kind=REFRESH, dedup_key=f"poison/{ref}").id


def _replay(actor: Actor, job_id: UUID) -> None:
    quarantine.replay(actor=actor, job_id=job_id)


def _row(superuser: psycopg.Connection[Any], job_id: UUID) -> tuple[Any, ...]:
    row = superuser.execute(
        "SELECT attempts, done_at, quarantined_at FROM accounts_job WHERE id = %s", [job_id]
    ).fetchone()
    assert row is not None
    return row


def _is_aside(superuser: psycopg.Connection[Any], job_id: UUID, seconds: float) -> bool:
    return wait_until(lambda: _row(superuser, job_id)[2] is not None, seconds)


@contextmanager
def _deaths(servers: Any, operator_id: UUID) -> Iterator[list[int]]:
    """Whoever waits for this operator's lock is ended by SIGKILL, as if the work ended it; gives their process numbers."""
    ended: list[int] = []
    over = threading.Event()
    with psycopg.connect(servers.superuser_url) as holding:
        holding.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [str(operator_id)])
        hunter = threading.Thread(target=_hunt, args=(servers.superuser_url, over, ended), daemon=True)
        hunter.start()
        try:
            yield ended
        finally:
            over.set()
            hunter.join()


def _hunt(url: str, over: threading.Event, ended: list[int]) -> None:
    seen = set()
    with psycopg.connect(url, autocommit=True) as watching:
        while not over.wait(0.1):
            waiting = watching.execute(
                "SELECT pid, client_port FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND wait_event = 'advisory'"
            ).fetchall()
            for backend, port in waiting:
                if backend not in seen:
                    seen.add(backend)
                    worker = _who_speaks_from(port)
                    os.kill(worker, signal.SIGKILL)
                    ended.append(worker)


def _who_speaks_from(port: int) -> int:
    """The number of the process that has a connection from this port of the machine (proc(5))."""
    connections_there = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    socket = next(f"socket:[{one[9]}]" for one in connections_there if int(one[1].split(":")[1], 16) == port)
    for descriptor in Path("/proc").glob("[0-9]*/fd/*"):
        with suppress(OSError):
            if str(descriptor.readlink()) == socket:
                return int(descriptor.parts[2])
    raise RuntimeError(f"Nobody speaks from port {port}.")
