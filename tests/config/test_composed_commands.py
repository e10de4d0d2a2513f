"""Every command of docker-compose.yml, run against the embedded servers: what it starts, does its work, and its health check says so.

Ports, paths and addresses are those of the test; words and options are the file's. PostgreSQL and Valkey are the embedded
ones, started with the file's options. What only a container has (its user, its volumes, its image) is not tried here.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import psycopg
import pytest
from redis import Redis

from config import embedded
from config.celery import Clockwork, app
from config.embedded import backups, postgres
from config.embedded.binaries import OWN_PLACE, find_programs
from config.launch import spawn
from tests import composed

PATIENCE_SECONDS = 400
OF_THE_PRODUCT = ("migrate", "web", "worker", "worker-bulk", "worker-webhooks", "relay", "beat")
KEY = "only this test signs with these words, nobody else"


@dataclass
class Deployment:
    servers: embedded.Servers
    folder: Path
    archive: Path
    web_port: int
    started: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def environment(self, service: str) -> dict[str, str]:
        """The file's variables of a service, those without a value of their own with the test's."""
        ours = {
            **self.servers.environment(),
            "WICKROUND_SECRET_KEY": KEY,
            "WICKROUND_TEXT_KEY": KEY[::-1],
            "WICKROUND_TEXT_KEY_BEFORE": "",
            "WICKROUND_METRICS_TOKEN": "",
            "WICKROUND_ALLOWED_HOSTS": "127.0.0.1",
            "WICKROUND_ORIGINS": "https://wickround.example",
            "WICKROUND_METRICS_PORT": "",
        }
        said = composed.services()[service]["environment"]
        return {
            **{
                name: value
                for name, value in os.environ.items()
                if not name.startswith(("WICKROUND", "DATABASE", "REDIS"))
            },
            **{name: ours.get(name, str(value)) for name, value in said.items()},
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            "HOSTNAME": socket.gethostname(),
            "PYTHONWARNINGS": "ignore:You're running the worker with superuser",
        }

    def moved(self, word: str) -> str:
        """A word of the file with the places of this test."""
        return word.replace("0.0.0.0:8000", f"127.0.0.1:{self.web_port}").replace(
            "/tmp/beat-schedule",
            str(self.folder / "beat-schedule"),
        )

    def run(self, service: str) -> subprocess.Popen[bytes]:
        with self.log(service).open("wb") as output:
            program, *words = (self.moved(word) for word in composed.command(service))
            found = shutil.which(program, path=self.environment(service)["PATH"])
            assert found, f"{service}: there is no program {program}"
            self.started[service] = spawn(
                [found, *words],
                death_signal=signal.SIGKILL,
                cwd=composed.ROOT,
                env=self.environment(service),
                output=output,
            )
        return self.started[service]

    def log(self, service: str) -> Path:
        return self.folder / f"{service}.log"

    def is_healthy(self, service: str) -> bool:
        """What the file's health check of a service says; here it ends nothing."""
        kind, *words = composed.services()[service]["healthcheck"]["test"]
        words = [
            word.replace("$$", "$").replace(":8000/", f":{self.web_port}/").replace("kill -TERM 1", ":")
            for word in words
        ]
        command = ["sh", "-c", *words] if kind == "CMD-SHELL" else words
        return self.check(command, service).returncode == 0

    def check(self, command: list[str], service: str, **more: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            command, env=self.environment(service) | more, cwd=composed.ROOT, capture_output=True, check=False
        )


@pytest.fixture(scope="module")
def deployment(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Deployment]:
    """Both servers with the file's options; nothing of the product yet."""
    folder = tmp_path_factory.mktemp("deployment")
    place = OWN_PLACE / f"wickround-archive-{os.getpid()}"
    archive = backups.make_archive(place)
    settings = {
        name: value.replace("/wal/", f"{archive}/") for name, value in composed.postgres_settings().items()
    }
    with embedded.start(folder, keep=False, settings=settings) as running:
        with socket.socket() as one, socket.socket() as two:
            one.bind(("127.0.0.1", 0))
            two.bind(("127.0.0.1", 0))
            redis_port, web_port = one.getsockname()[1], two.getsockname()[1]
        redis = _redis(folder, redis_port)
        url = f"redis://:of-this-test@127.0.0.1:{redis_port}/0"
        found = Deployment(replace(running.servers, redis_url=url), folder, archive, web_port)
        try:
            yield found
        finally:
            for process in (*found.started.values(), redis):
                if process.poll() is None:
                    process.kill()
                process.wait()
    shutil.rmtree(place)


def _redis(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """The file's command, with a port and a folder besides."""
    names = folder / "programs"
    names.mkdir()
    (names / "valkey-server").symlink_to(find_programs().valkey)
    shell, option, script = composed.command("redis")
    process = subprocess.Popen(
        [shell, option, f"{script} --port {port} --bind 127.0.0.1 --dir '{folder}'"],
        env={"PATH": f"{names}:{os.defpath}", "REDIS_PASSWORD": "of-this-test"},
        stdout=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            with Redis(port=port, password="of-this-test") as client:
                client.ping()
        except OSError:
            assert process.poll() is None, "Valkey does not start with the options of the file"
            assert time.monotonic() < deadline
            time.sleep(0.05)
        except Exception as fault:
            if "refused" not in str(fault):
                raise
            time.sleep(0.05)
        else:
            return process


def test_the_database_takes_the_options_of_the_file_and_archives_what_is_written(deployment):
    with psycopg.connect(deployment.servers.superuser_url, autocommit=True) as superuser:
        wanted = {name: value for name, value in composed.postgres_settings().items() if "/wal/" not in value}
        for name, value in wanted.items():
            assert superuser.execute("SELECT current_setting(%s)", [name]).fetchone() == (value,), name
        superuser.execute("CREATE TABLE written (id int)")
        (segment,) = superuser.execute("SELECT pg_walfile_name(pg_switch_wal())").fetchone() or ("",)

    _wait((deployment.archive / segment).exists, "the segment is not in the archive")
    assert (deployment.archive / segment).stat().st_size == 16 * 1024 * 1024
    port = deployment.servers.superuser_url.rpartition(":")[2].partition("/")[0]
    program, *words = composed.services()["db"]["healthcheck"]["test"][1:]
    backups.run_program(program, *words, "-p", port, environment=postgres.SERVER_ENVIRONMENT)


def test_redis_keeps_what_it_has_and_throws_nothing_away(deployment):
    with Redis.from_url(deployment.servers.redis_url) as client:
        for name, value in {
            "appendonly": "yes",
            "appendfsync": "everysec",
            "maxmemory-policy": "noeviction",
        }.items():
            assert client.config_get(name) == {name: value}


def test_somebody_takes_from_every_queue():
    taken = [
        set(words[words.index("-Q") + 1].split(","))
        for words in (composed.command(name) for name in composed.services() if name.startswith("worker"))
    ]

    assert set.union(*taken) == {queue.name for queue in app.conf.task_queues}
    assert sum(map(len, taken)) == len(app.conf.task_queues), "each queue is one worker's"


def test_every_service_does_its_work_and_its_health_check_says_so(deployment):
    assert {name for name in composed.services() if name not in {"db", "redis"}} == set(OF_THE_PRODUCT)
    assert deployment.run("migrate").wait(PATIENCE_SECONDS) == 0, deployment.log("migrate").read_text()
    _open_operator(deployment)
    _let_the_first_tick_be_due(deployment.folder / "beat-schedule")

    for service in OF_THE_PRODUCT[1:]:
        deployment.run(service)

    for service in OF_THE_PRODUCT[1:]:
        _wait(
            lambda service=service: deployment.is_healthy(service),
            lambda service=service: (
                f"{service} is not healthy: {deployment.log(service).read_text()[-2000:]}"
            ),
        )
    _wait(lambda: _done(deployment, "servicing.tasks.sweep"), "no sweep was done")
    assert {name for name, process in deployment.started.items() if process.poll() is not None} == {"migrate"}
    _each_ends_when_asked(deployment)


@pytest.mark.parametrize("service", ["worker", "worker-bulk", "worker-webhooks"])
def test_a_part_that_does_nothing_is_unhealthy_and_ends_after_a_while(deployment, service):
    """Of a worker on a machine that never was there is no sign. In the place of the container's first process: one that sleeps."""
    (script,) = composed.services()[service]["healthcheck"]["test"][1:]
    with subprocess.Popen(["/bin/sleep", "600"]) as sleeper:
        script = script.replace("$$", "$").replace("/proc/1)", f"/proc/{sleeper.pid})")
        script = script.replace("-TERM 1;", f"-TERM {sleeper.pid};")
        young = deployment.check(["sh", "-c", script], service, HOSTNAME="nowhere")
        is_left_alone = sleeper.poll() is None
        old = deployment.check(["sh", "-c", script.replace("-lt 300", "-lt 0")], service, HOSTNAME="nowhere")
        ended = sleeper.wait(60)

    assert (young.returncode, is_left_alone) == (1, True)
    assert (old.returncode, ended) == (1, -signal.SIGTERM)


def _open_operator(deployment: Deployment) -> None:
    words = ["--slug", "north-bank", "--name", "North Bank", "--legal-name", "North Bank Fixture Care"]
    words += ["--currency", "EUR", "--zone", "Europe/Berlin"]
    words += ["--owner-email", "owner@north-bank.example", "--owner-name", "Ada Example"]
    subprocess.run(
        [sys.executable, "manage.py", "open_operator", *words],
        env={**deployment.environment("web"), "WICKROUND_OWNER_PASSWORD": "a long enough phrase"},
        cwd=composed.ROOT,
        check=True,
        capture_output=True,
    )


def _let_the_first_tick_be_due(schedule: Path) -> None:
    """As if beat had been away for some minutes: else its first tick comes after the first one."""
    clockwork = Clockwork(app, schedule_filename=str(schedule))
    for entry in clockwork.schedule.values():
        entry.last_run_at = entry.last_run_at.replace(year=entry.last_run_at.year - 1)
    clockwork.close()


def _done(deployment: Deployment, kind: str) -> bool:
    with psycopg.connect(deployment.servers.superuser_url) as superuser:
        row = superuser.execute(
            "SELECT count(*) FROM accounts_job WHERE kind = %s AND done_at IS NOT NULL", [kind]
        ).fetchone()
    return row is not None and row[0] > 0


def _each_ends_when_asked(deployment: Deployment) -> None:
    """SIGTERM, as a container is stopped by; within the grace that the file gives."""
    for service in OF_THE_PRODUCT[1:]:
        deployment.started[service].send_signal(signal.SIGTERM)
    for service in OF_THE_PRODUCT[1:]:
        assert deployment.started[service].wait(PATIENCE_SECONDS) in {0, -signal.SIGTERM}, service


def _wait(is_so: Callable[[], bool], otherwise: str | Callable[[], str]) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not is_so():
        assert time.monotonic() < deadline, otherwise if isinstance(otherwise, str) else otherwise()
        time.sleep(0.2)
