"""Figures at ``/metrics``: to whom, in which form, and that they are right, over several processes too.

The form is read back by prometheus_client's own parser, the reference reader of the text format 0.0.4.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import redis
from django.conf import settings
from django.db import OperationalError
from django.test import Client
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families

from accounts import clock, jobs, tenancy
from accounts.models import Job
from accounts.queries import service as queries
from accounts.tasks import FIRST, LAST
from config import service
from config.celery import app
from config.metrics import counting
from config.metrics.state import OfState
from config.metrics.writing import TYPE, written
from servicing.commands import sweeps
from servicing.queries.lag import SWEEP
from tests.integration.serving import served

TOKEN = "figures-are-for-whoever-says-this-token"
BEARER = {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture(autouse=True)
def _own_state(monkeypatch):
    monkeypatch.setattr(service._Kept, "state", None)


@pytest.fixture
def token(monkeypatch):
    monkeypatch.setattr(settings, "METRICS_TOKEN", TOKEN)


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
    }


def figure(found: dict[Any, float], name: str, **labels: str) -> float:
    return found[name, tuple(sorted(labels.items()))]


def of_state(find: Any = service.found) -> dict[Any, float]:
    registry = CollectorRegistry()
    registry.register(OfState(find))
    return samples(written(registry).decode())


def test_without_a_token_there_is_nothing_and_with_another_nobody_is_let_in(database, monkeypatch):
    monkeypatch.setattr(settings, "METRICS_TOKEN", "")
    for headers in ({}, {"Authorization": "Bearer "}, BEARER):
        assert Client().get("/metrics", headers=headers).status_code == 404

    monkeypatch.setattr(settings, "METRICS_TOKEN", TOKEN)
    for headers in (
        {},
        {"Authorization": TOKEN},
        {"Authorization": f"Basic {TOKEN}"},
        {"Authorization": "Bearer x"},
    ):
        answer = Client().get("/metrics", headers=headers)
        assert (answer.status_code, answer.headers["WWW-Authenticate"]) == (401, "Bearer")
        assert b"wickround_" not in answer.content
    assert Client().post("/metrics", headers=BEARER).status_code == 405
    assert Client().get("/metrics", headers=BEARER).status_code == 200


def test_the_text_is_what_the_reference_parser_reads_and_each_figure_is_described(north, token):
    north.upload(north.installed())

    answer = Client().get("/metrics", headers=BEARER)

    # The media type of version 0.0.4: prometheus.io, "Exposition formats".
    assert answer.headers["Content-Type"] == TYPE == "text/plain; version=0.0.4; charset=utf-8"
    families = list(text_string_to_metric_families(answer.content.decode()))
    names = [one.name for one in families]
    assert len(names) == len(set(names))
    assert all(one.documentation and one.type in {"gauge", "counter", "histogram"} for one in families)
    assert all(one.name.startswith("wickround_") for one in families)
    assert answer.content.endswith(b"\n")


def test_requests_are_counted_by_the_name_of_their_address_and_nobody_makes_up_a_name(north, token):
    def counted() -> dict[Any, float]:
        return samples(Client().get("/metrics", headers=BEARER).content.decode())

    name = "wickround_http_request_duration_seconds"
    before = counted()
    Client().get("/healthz")
    for number in range(3):
        Client().get(f"/problems/no-such-{number}", secure=True)
        Client().generic("BREW", "/healthz")
    after = counted()

    def more(**labels: str) -> float:
        key = (f"{name}_count", tuple(sorted(labels.items())))
        return after.get(key, 0) - before.get(key, 0)

    assert more(route="healthz", method="GET", status="200") == 1
    assert more(route="healthz", method="other", status="200") == 3
    assert more(route="problem", method="GET", status="404") == 3
    assert not any("no-such" in str(key) or "BREW" in str(key) for key in after)
    # A histogram's last bucket holds all it counted (the same page, "Histograms and summaries").
    labels = {"route": "healthz", "method": "GET", "status": "200"}
    assert figure(after, f"{name}_bucket", le="+Inf", **labels) == figure(after, f"{name}_count", **labels)
    assert figure(after, f"{name}_sum", **labels) > 0


def test_lag_is_told_for_each_projection_and_operator(north, south, superuser):
    north.upload(north.installed(), north.exchanged())
    superuser.execute(
        "UPDATE servicing_checkpoint SET position = position - 1 WHERE operator_id = %s", [north.operator.id]
    )

    found = of_state()

    lag = "wickround_projection_lag_events"
    assert figure(found, lag, projection="servicing", operator=north.operator.slug) == 1
    assert figure(found, lag, projection="seals", operator=north.operator.slug) == 2
    assert figure(found, lag, projection="servicing", operator=south.operator.slug) == 0
    seconds = "wickround_projection_lag_seconds"
    assert 0 < figure(found, seconds, projection="servicing", operator=north.operator.slug) < 600
    assert figure(found, seconds, projection="servicing", operator=south.operator.slug) == 0
    head = superuser.execute(
        "SELECT max(position) FROM servicing_event WHERE operator_id = %s", [north.operator.id]
    ).fetchone()[0]
    assert figure(found, "wickround_log_position", operator=north.operator.slug) == head


def test_jobs_are_told_by_kind_and_state_with_the_age_of_the_oldest(north, superuser, later):
    kind = "tests.kind"
    now = clock.now()
    with tenancy.writing(north.owner):
        for number in range(6):
            jobs.enqueue(kind=kind, dedup_key=str(number), run_at=now - timedelta(seconds=90 - number))
        jobs.enqueue(kind=kind, dedup_key="tomorrow", run_at=now + timedelta(days=1))
        rows = {one.dedup_key: one.id for one in Job.objects.filter(kind=kind)}
        Job.objects.filter(id=rows["0"]).update(lease_until=now + timedelta(seconds=60))
        Job.objects.filter(id=rows["1"]).update(done_at=now)
        Job.objects.filter(id=rows["2"]).update(quarantined_at=now)
        Job.objects.filter(id=rows["3"]).update(quarantined_at=now, given_up_at=now)

    found = of_state()

    told = {
        state: figure(found, "wickround_jobs", kind=kind, state=state)
        for state in ("due", "out", "later", "quarantined")
    }
    assert told == {"due": 2, "out": 1, "later": 1, "quarantined": 1}
    assert figure(found, "wickround_jobs_oldest_due_seconds", kind=kind) == 86
    slug = north.operator.slug
    assert figure(found, "wickround_operator_jobs", operator=slug, state="quarantined") == 1
    assert figure(found, "wickround_operator_oldest_due_seconds", operator=slug) == 86


def test_the_last_sweep_of_each_operator_is_told(north, south, later):
    jobs.owe_everyone(kind=SWEEP, slot=f"{clock.now():%Y-%m-%dT%H:%M}")
    with tenancy.reading(north.owner):
        job = Job.objects.get(kind=SWEEP)
    later(seconds=4)
    sweeps.run_sweep(north.operator.id, job.id)
    later(seconds=30)

    found = of_state()

    assert figure(found, "wickround_sweep_age_seconds", operator=north.operator.slug) == 30
    delay = figure(found, "wickround_sweep_delay_seconds", operator=north.operator.slug)
    # An operator's own place within the second or minute over which everybody's are spread.
    assert -60 <= delay <= 4
    assert ("wickround_sweep_age_seconds", (("operator", south.operator.slug),)) not in found


def test_signs_of_life_and_connections_are_told(north):
    jobs.beat(jobs.TICK, owed=3)

    found = of_state()

    assert 0 <= figure(found, "wickround_heartbeat_age_seconds", part="tick") < 60
    assert figure(found, "wickround_database_connections", role="wickround_app") >= 1
    assert figure(found, "wickround_database_connections_max") >= 20


def test_queues_are_told_as_redis_has_them(database):
    client = redis.Redis.from_url(settings.REDIS_URL)
    client.rpush(f"{settings.REDIS_PREFIX}bulk", "a", "b")
    try:
        found = of_state()
    finally:
        client.delete(f"{settings.REDIS_PREFIX}bulk")
        client.close()

    assert figure(found, "wickround_queue_messages", queue="bulk") == 2
    assert figure(found, "wickround_queue_messages", queue="alerts") == 0


def test_messages_that_others_overtake_wait_in_the_same_queue(database):
    def waiting() -> float:
        return figure(of_state(), "wickround_queue_messages", queue="bulk")

    before = waiting()
    with app.connection_for_write(settings.REDIS_URL) as connection:
        for priority in (FIRST, LAST, LAST):
            app.send_task("tests.tasks.nothing", queue="bulk", priority=priority, connection=connection)
        there = waiting()
        with connection.channel() as channel:
            channel.queue_purge("bulk")

    assert (there - before, waiting()) == (3, 0)


def test_a_server_that_is_away_is_told_and_the_rest_still_is(database, monkeypatch):
    monkeypatch.setattr(settings, "REDIS_URL", "redis://127.0.0.1:1/0")
    found = of_state()
    assert figure(found, "wickround_up", server="redis") == 0
    assert figure(found, "wickround_up", server="database") == 1

    def away() -> None:
        raise OperationalError("the server closed the connection")

    monkeypatch.setattr(queries, "owed", away)
    found = of_state()
    assert figure(found, "wickround_up", server="database") == 0
    assert not any(name == "wickround_jobs" for name, _ in found)


def test_an_address_of_an_operator_cannot_break_the_text(north, superuser):
    # A label's value is quoted: backslash, quote and line feed are escaped (the format's own rules).
    superuser.execute(
        "UPDATE accounts_operator SET slug = %s WHERE id = %s", ['x"} 1\n\\y', north.operator.id]
    )

    found = of_state()

    assert figure(found, "wickround_operator_jobs", operator='x"} 1\n\\y', state="due") >= 0


def asked(address: str, **headers: str) -> str:
    request = urllib.request.Request(address, headers=headers)
    with urllib.request.urlopen(request, timeout=30) as answer:
        return answer.read().decode()


def workers_of(address: str) -> list[int]:
    """The web server's children, by the port it listens at."""
    port = address.rpartition(":")[2]
    parents = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdecimal():
            try:
                line = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            if "gunicorn" in line and f":{port} " in line:
                parents[int(folder.name)] = parent
    return [pid for pid, parent in parents.items() if parent in parents]


def test_two_processes_of_a_web_server_tell_one_sum_and_one_that_ends_takes_nothing_along(database, tmp_path):
    name = "wickround_http_request_duration_seconds_count"
    # Whoever waits for the server to start asks for another one.
    labels = {"route": "problems", "method": "GET", "status": "200"}
    with served(
        database, tmp_path / "web.log", {"WICKROUND_METRICS_TOKEN": TOKEN, "TMPDIR": str(tmp_path)}
    ) as address:

        def told() -> float:
            return figure(samples(asked(f"{address}/metrics", **BEARER)), name, **labels)

        for _ in range(40):
            asked(f"{address}/problems")
        assert {told() for _ in range(6)} == {40}

        (folder,) = tmp_path.glob("wickround-metrics-*")
        files = {one.name for one in folder.iterdir()}
        assert files <= {"histogram_web-0.db", "histogram_web-1.db"}
        ended = workers_of(address)
        assert len(ended) == 2
        for pid in ended:
            os.kill(pid, signal.SIGKILL)
        deadline = time.monotonic() + 60
        while set(workers_of(address)) & set(ended) or len(workers_of(address)) < 2:
            assert time.monotonic() < deadline
            time.sleep(0.2)

        asked(f"{address}/problems")
        assert told() == 41
        # Whoever came after counts on in the same files.
        assert {one.name for one in folder.iterdir()} <= {"histogram_web-0.db", "histogram_web-1.db"}
    assert list(tmp_path.glob("wickround-metrics-*")) == []


def test_a_worker_tells_the_tasks_of_its_children_at_a_port_of_its_own(database, tmp_path):
    program = """
import os, signal, sys
from config.celery import app
from config.metrics import counting, exporter
from config import working
server = exporter.serve(0, "127.0.0.1")
for number in range(2):
    for turn in range(2):  # the second takes the place of the first
        child = os.fork()
        if not child:
            counting.take_place(f"worker-{number}")
            counting.count_task(task="some.task", outcome="done", seconds=0.2)
            counting.count_task(task="some.task", outcome="failed", seconds=2)
            os._exit(0)
        os.waitpid(child, 0)
print(server.server_port, flush=True)
sys.stdin.read()
"""
    with subprocess.Popen(
        [sys.executable, "-c", program],
        env={
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "WICKROUND_METRICS_TOKEN": TOKEN,
            "TMPDIR": str(tmp_path),
        },
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as worker:
        try:
            address = f"http://127.0.0.1:{int(worker.stdout.readline())}/metrics"
            found = samples(asked(address, **BEARER))
            with pytest.raises(urllib.error.HTTPError, match="404"):
                asked(address)
        finally:
            worker.stdin.close()
            worker.wait(30)

    name = "wickround_task_duration_seconds"
    assert figure(found, f"{name}_count", task="some.task", outcome="done") == 4
    assert figure(found, f"{name}_sum", task="some.task", outcome="failed") == 8
    assert figure(found, f"{name}_bucket", task="some.task", outcome="done", le="0.1") == 0
    assert figure(found, f"{name}_bucket", task="some.task", outcome="done", le="0.25") == 4
    assert list(tmp_path.iterdir()) == []


def test_what_a_process_that_is_gone_left_behind_is_removed(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(counting._Process, "counts", counting._Process.counts)
    # Set first, so that it is taken away again afterwards: what is shared is named in the environment.
    monkeypatch.setenv(counting.FOLDER, "")
    monkeypatch.delenv(counting.FOLDER)
    gone = (
        tmp_path / "wickround-metrics-4194305-x"
    )  # above the most a process's number may be (proc(5), pid_max)
    there = tmp_path / f"wickround-metrics-{os.getppid()}-x"
    gone.mkdir()
    there.mkdir()
    values = sys.modules["prometheus_client.values"]
    monkeypatch.setattr(values, "ValueClass", values.ValueClass)

    folder = counting.share()

    assert {one.name for one in tmp_path.iterdir()} == {there.name, folder.name}
    counting.unshare()
    assert not folder.exists()
