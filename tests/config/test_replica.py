"""A read replica that streams from the first server: it has the same rows under the same row-level security, and takes no writes.

The steps are those of docs/operations.md, on a cluster of its own beside the tests' one.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from uuid import uuid4

import psycopg
import pytest

from config import embedded
from config.embedded import backups


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[embedded.Servers, embedded.Servers]]:
    """A first server with one table under a policy as ours have it, and the replica of it."""
    folder = tmp_path_factory.mktemp("replica")
    with embedded.start(folder / "first", durable=True, keep=False) as first:
        _a_table_under_a_policy(first.servers)
        url = first.servers.superuser_url.replace("/wickround", "/postgres")
        backups.run_program(
            "pg_basebackup", f"--dbname={url}", f"--pgdata={folder / 'copy'}", "--checkpoint=fast",
            "--write-recovery-conf", "--slot=replica1", "--create-slot",
        )  # fmt: skip
        backups.bring_in(folder / "copy", folder / "second", first.servers, signal="standby.signal")
        with embedded.start(folder / "second", keep=False) as second:
            yield first.servers, second.servers


def _a_table_under_a_policy(servers: embedded.Servers) -> None:
    with psycopg.connect(servers.database_migrate_url, options="-c role=wickround_owner") as owner:
        owner.execute("CREATE TABLE noted (operator_id uuid, said text)")
        owner.execute("ALTER TABLE noted ENABLE ROW LEVEL SECURITY, FORCE ROW LEVEL SECURITY")
        owner.execute("CREATE POLICY owner ON noted TO wickround_owner USING (true) WITH CHECK (true)")
        owner.execute(
            "CREATE POLICY app ON noted TO wickround_app "
            "USING (operator_id = (SELECT nullif(current_setting('wickround.operator_id', true), ''))::uuid)"
        )
        owner.execute("GRANT SELECT, INSERT ON noted TO wickround_app")


def _caught_up(first: embedded.Servers, second: embedded.Servers) -> float:
    """Until the replica has all that the first server has now; how many seconds that took."""
    began = time.monotonic()
    with (
        psycopg.connect(first.superuser_url) as one,
        psycopg.connect(second.superuser_url, autocommit=True) as two,
    ):
        (wanted,) = one.execute("SELECT pg_current_wal_flush_lsn()").fetchone() or (None,)
        while two.execute("SELECT pg_last_wal_replay_lsn() >= %s::pg_lsn", [str(wanted)]).fetchone() != (
            True,
        ):
            assert time.monotonic() - began < 60
            time.sleep(0.02)
    return time.monotonic() - began


def test_what_is_written_is_there_soon_for_its_operator_alone(pair):
    first, second = pair
    north, south = uuid4(), uuid4()
    with psycopg.connect(first.database_migrate_url, options="-c role=wickround_owner") as owner:
        owner.cursor().executemany("INSERT INTO noted VALUES (%s, %s)", [(north, "n"), (south, "s")])
    _caught_up(first, second)

    with psycopg.connect(second.database_url) as reader:
        outside = reader.execute("SELECT said FROM noted").fetchall()
        reader.execute("SELECT set_config('wickround.operator_id', %s, true)", [str(north)])
        inside = reader.execute("SELECT said FROM noted").fetchall()

    assert outside == []
    assert inside == [("n",)]


def test_it_takes_no_writes_and_says_how_late_it_is(pair):
    _first, second = pair
    with psycopg.connect(second.superuser_url) as reader:
        row = reader.execute("SELECT pg_is_in_recovery(), now() - pg_last_xact_replay_timestamp()").fetchone()
        assert row is not None
        assert row[0] is True
        assert row[1] is not None
        with pytest.raises(psycopg.errors.ReadOnlySqlTransaction):
            reader.execute("CREATE TABLE written_here (id int)")


def test_the_first_server_sees_it_follow(pair):
    first, _second = pair
    with psycopg.connect(first.superuser_url) as one:
        assert one.execute(
            "SELECT count(*) FROM pg_stat_replication WHERE state = 'streaming'"
        ).fetchone() == (1,)
