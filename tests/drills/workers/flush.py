"""Valkey is emptied while 10,000 jobs are out with it: each is done within its lease and a minute.

More than a relay ever has out, since it keeps its queues short: here the jobs are claimed and sent at once. Nobody takes a
message before the FLUSHALL, so that all of them are lost; then a relay and two workers begin. A second FLUSHALL comes while
they work, at a moment with some messages in the queues and some half done.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import psycopg
import redis

from accounts import jobs
from config import supervisor
from config.celery import app
from tests.drills.workers.crowd import at_work, operators, owe, say, undone, wait_until

GRACE_SECONDS = 60


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 jobs, with the lease that it ships with; else 1,000 and a lease of 10 s."""
    each, number, lease = (jobs.MOST_IN_FLIGHT, 500, 120) if full else (jobs.MOST_IN_FLIGHT, 50, 10)
    valkey = redis.Redis.from_url(servers.redis_url)
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        superuser.execute("DELETE FROM accounts_job")
        owe(superuser, operators(superuser, number, "flushed"), each, key="out")
        sent = _send_all(lease)
        waiting = _messages(valkey)
        say(f"{sent:,} jobs are out, {waiting:,} messages wait; FLUSHALL")
        valkey.flushall()
        began, lost = time.monotonic(), waiting - _messages(valkey)
        with at_work(
            servers,
            supervisor.relay(),
            supervisor.worker(),
            _second(),
            WICKROUND_LEASE_SECONDS=str(lease),
        ):
            half = wait_until(lambda: undone(superuser, "out") <= sent // 2, lease + GRACE_SECONDS, 0.05)
            in_the_middle = _messages(valkey)
            valkey.flushall()
            second_at = time.monotonic()
            say(f"half are done; FLUSHALL once more, with {in_the_middle} messages waiting")
            done = wait_until(lambda: undone(superuser, "out") == 0, 2 * lease + GRACE_SECONDS)
            ended = time.monotonic()
        left = undone(superuser, "out")
        row = superuser.execute(
            "SELECT max(attempts), max(extract(epoch FROM done_at))::float - min(extract(epoch FROM lease_until))::float "
            "FROM accounts_job WHERE dedup_key LIKE 'out/%'"
        ).fetchone()
    most_attempts = row[0] if row else 0
    after_last = ended - max(began + lease, second_at)
    yield {
        "name": "workers.flush",
        "figures": {
            "jobs": sent,
            "messages_lost": lost,
            "messages_lost_in_the_middle": in_the_middle,
            "lease_s": lease,
            "seconds_after_first_flush": round(ended - began, 1),
            "seconds_after_second_flush": round(ended - second_at, 1),
            "most_attempts": most_attempts,
            "undone": left,
        },
        "target": "100 % done within the lease and 60 s of the last FLUSHALL",
        "ok": done
        and half
        and left == 0
        and lost >= sent
        and ended - second_at <= lease + GRACE_SECONDS
        and after_last >= 0,
    }


def _send_all(lease: int) -> int:
    """Claim and send everything, as relays do, but without their limit on what waits in a queue."""
    before, jobs.claiming.LEASE_SECONDS = jobs.claiming.LEASE_SECONDS, lease
    sent = 0
    try:
        while claimed := jobs.claim_due(1_000):
            for job in claimed:
                app.send_task(job.kind, args=[str(job.operator_id), str(job.id)], queue="bulk")
            sent += len(claimed)
    finally:
        jobs.claiming.LEASE_SECONDS = before
    return sent


def _messages(valkey: redis.Redis) -> int:
    queues = [name for name in valkey.scan_iter("*") if valkey.type(name) == b"list"]
    return sum(int(str(valkey.llen(name))) for name in queues)


def _second() -> supervisor.Part:
    part = supervisor.worker()
    part.name = "second"
    part.command = ["second@localhost" if one == "trial@localhost" else one for one in part.command]
    return part
