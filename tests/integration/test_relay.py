"""The relay, a worker and beat as processes: what is owed gets done, each gives signs of life, and each ends when told."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from accounts import jobs
from accounts.commands.clockwork import SWEEP
from accounts.tenancy import reading, writing
from config import supervisor
from config.launch import spawn
from tests.integration.serving import environment

ROOT = Path(__file__).resolve().parent.parent.parent
NODENAME = "trial@localhost"


@contextmanager
def running(servers: Any, part: supervisor.Part, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("ab") as output:
        process = spawn(
            part.command,
            death_signal=signal.SIGKILL,
            cwd=ROOT,
            env={**os.environ, **environment(servers), "WICKROUND_REDIS_PREFIX": "relay-test:"},
            output=output,
        )
        try:
            yield process
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def until(holds: Callable[[], bool], seconds: float, log: Path) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, log.read_text()[-3_000:]
        time.sleep(0.1)


def test_what_is_owed_gets_done_and_each_part_gives_signs_of_life(database, north, tmp_path, capsys):
    log = tmp_path / "log"
    log.touch()
    with pytest.raises(CommandError, match="has done nothing yet"):
        call_command("alive", "worker/nobody@nowhere")
    with writing(north.owner):
        jobs.enqueue(kind=SWEEP, dedup_key="by the test")

    def is_done() -> bool:
        with reading(north.owner):
            return jobs.is_done(kind=SWEEP, dedup_key="by the test")

    with (
        running(database, supervisor.worker(), log) as worker,
        running(database, supervisor.relay(), log) as relay,
    ):
        until(is_done, 60, log)
        until(lambda: jobs.sign(jobs.of_worker(NODENAME)) is not None, 30, log)
        until(lambda: jobs.sign(jobs.RELAY) is not None, 30, log)
        call_command("alive", jobs.RELAY)
        call_command("alive", jobs.of_worker(NODENAME))
        relay.send_signal(signal.SIGTERM)
        assert relay.wait(10) == 0
        worker.send_signal(signal.SIGTERM)
        assert worker.wait(30) == 0

    assert "relay did its work" in capsys.readouterr().out
    sign = jobs.sign(jobs.RELAY)
    assert sign is not None
    assert sign.figures["sent"] >= 1
    # A worker that was told to end is missed by nobody.
    assert jobs.of_worker(NODENAME) not in {one.name for one in jobs.signs()}


def test_a_part_that_did_nothing_for_three_minutes_is_told_so(database, superuser):
    jobs.beat("worker/slow@host")
    superuser.execute(
        "UPDATE accounts_heartbeat SET at = at - interval '181 s' WHERE name = 'worker/slow@host'"
    )

    with pytest.raises(CommandError, match="more than 180 s"):
        call_command("alive", "worker/slow@host")
    call_command("alive", "worker/slow@host", within=200)

    jobs.beat("worker/slow@host")
    call_command("alive", "worker/slow@host")
