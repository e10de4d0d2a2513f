"""The product behind PgBouncer in transaction mode: few sessions serve many, and no operator sees what another one's transaction left.

PgBouncer is not among what is locked; where it is not installed (Debian: ``apt-get install pgbouncer``) these are skipped. The
configuration is that of docs/operations.md.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import time
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest

from config import embedded
from config.embedded import postgres
from config.embedded.binaries import OWN_PLACE, find_programs
from config.embedded.home import make_private, write_private
from config.launch import spawn
from tests.cast import Cast
from tests.integration.serving import served

PROGRAM = shutil.which("pgbouncer", path="/usr/sbin:/usr/local/bin:/usr/bin")
SESSIONS = 3
SESSIONS_NOW = (
    "SELECT pid FROM pg_stat_activity WHERE usename = 'wickround_app' AND application_name <> 'tests'"
)
CONFIGURATION = """\
[databases]
wickround = host=127.0.0.1 port={server} dbname=wickround connect_query='SET statement_timeout TO 5000; SET idle_in_transaction_session_timeout TO 30000; SET client_connection_check_interval TO 5000'
[pgbouncer]
listen_addr = 127.0.0.1
listen_port = {port}
unix_socket_dir =
auth_type = scram-sha-256
auth_file = {folder}/users.txt
pool_mode = transaction
default_pool_size = {sessions}
max_client_conn = 500
"""

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="PgBouncer is not installed")


@pytest.fixture(scope="module")
def pooled(database: embedded.Servers) -> Iterator[embedded.Servers]:
    """The same servers, the runtime roles' sign-ins by way of a pooler."""
    user = find_programs().user
    folder = OWN_PLACE / f"wickround-pooler-{time.monotonic_ns()}"
    make_private(folder, user)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    parts = [urlsplit(url) for url in (database.database_url, database.database_system_url)]
    write_private(
        folder / "users.txt", "".join(f'"{one.username}" "{one.password}"\n' for one in parts), user
    )
    text = CONFIGURATION.format(server=parts[0].port, port=port, folder=folder, sessions=SESSIONS)
    write_private(folder / "pgbouncer.ini", text, user)
    assert PROGRAM is not None
    with (folder / "log").open("wb") as log:
        process = spawn(
            [PROGRAM, folder / "pgbouncer.ini"],
            death_signal=signal.SIGTERM,
            cwd=Path("/"),
            env={},
            output=log,
            user=user,
        )
    moved = [one._replace(netloc=f"{one.username}:{one.password}@127.0.0.1:{port}").geturl() for one in parts]
    try:
        _wait(moved[0], folder / "log")
        yield replace(database, database_url=moved[0], database_system_url=moved[1])
    finally:
        process.kill()
        process.wait()
        shutil.rmtree(folder)


def _wait(url: str, log: Path) -> None:
    deadline = time.monotonic() + 60
    while not postgres.answers(url):
        assert time.monotonic() < deadline, log.read_text()
        time.sleep(0.1)


def test_uploads_and_reads_of_many_go_through_few_sessions_and_nothing_crosses(
    pooled, north, south, superuser, tmp_path
):
    casts = (north, south)
    others = {pid for (pid,) in superuser.execute(SESSIONS_NOW)}
    with served(pooled, tmp_path / "web.log", {"WICKROUND_POOLED": "yes"}) as address:
        for cast in casts:
            assert set(_sent(address, cast, [cast.installed()])) == {"accepted"}
        batches = [(cast, [cast.exchanged(cartridge_left_ml=n % 90)]) for n in range(30) for cast in casts]
        with ThreadPoolExecutor(12) as pool:
            fates = list(pool.map(lambda one: _sent(address, *one), batches))
            seen = list(pool.map(lambda cast: _units(address, cast), casts * 10))
        sessions = {pid for (pid,) in superuser.execute(SESSIONS_NOW)} - others

    assert {fate for one in fates for fate in one} == {"accepted"}
    assert all(
        units == {str(unit.id) for unit in cast.units} for cast, units in zip(casts * 10, seen, strict=True)
    )
    # Of the tests' own process there may be one besides.
    assert len(sessions) <= SESSIONS + 1
    counts = [
        superuser.execute(
            "SELECT count(*) FROM servicing_event WHERE operator_id = %s", [cast.operator.id]
        ).fetchone()[0]
        for cast in casts
    ]
    assert counts == [31, 31]


def test_the_limits_of_time_hold_though_no_session_asks_for_them(pooled):
    with psycopg.connect(pooled.database_url) as connection:
        row = connection.execute(
            "SELECT current_setting('statement_timeout'), current_setting('idle_in_transaction_session_timeout')"
        ).fetchone()

    assert row == ("5s", "30s")


def _sent(address: str, cast: Cast, events: list[dict[str, object]]) -> list[str]:
    request = urllib.request.Request(
        f"{address}/api/v1/service-events",
        data=json.dumps({"events": events}).encode(),
        headers={"Authorization": f"Bearer {cast.phone_token}", "Content-Type": "application/json"},
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        return [one["fate"] for one in json.load(answer)["fates"]]


def _units(address: str, cast: Cast) -> set[str]:
    request = urllib.request.Request(
        f"{address}/api/v1/units", headers={"Authorization": f"Bearer {cast.phone_token}"}
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        return {one["id"] for one in json.load(answer)["results"]}
