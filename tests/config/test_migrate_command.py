"""``manage.py migrate`` gives a lock up before requests do, lets others pass, and comes back."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from django.core.management import CommandError, call_command
from django.db import OperationalError, connections
from django.test import override_settings

from config import embedded
from config.management.commands.migrate import Command
from tests.conftest import PRISTINE

NEXT = {"servicing": "tests.config.next_release"}


@pytest.fixture
def own(database: embedded.Servers) -> Iterator[embedded.Servers]:
    """A copy of the migrated database, for migrations that nobody else is to see."""
    copy = embedded.create_database(database, "to_migrate", template=PRISTINE)
    # What another test has left open leads to the database of all.
    connections["migrate"].close()
    kept = connections["migrate"].settings_dict["NAME"]
    connections["migrate"].settings_dict["NAME"] = "to_migrate"
    try:
        with override_settings(MIGRATION_MODULES=NEXT):
            yield copy
    finally:
        connections["migrate"].close()
        connections["migrate"].settings_dict["NAME"] = kept
        embedded.drop_database(database, "to_migrate")


def column_is_there(servers: embedded.Servers) -> bool:
    with psycopg.connect(servers.superuser_url) as superuser:
        row = superuser.execute(
            "SELECT count(*) FROM information_schema.columns WHERE table_name = 'servicing_event' AND column_name = 'trial'"
        ).fetchone()
    return row == (1,)


def test_readers_wait_less_than_a_second_and_the_migration_comes_back(own, capsys):
    waited: list[float] = []

    def read_long_then_short() -> None:
        with psycopg.connect(own.superuser_url) as long:
            long.execute("SELECT count(*) FROM servicing_event")
            begun.set()
            until = time.monotonic() + 2.5
            while time.monotonic() < until:
                began = time.monotonic()
                with psycopg.connect(own.superuser_url) as short:
                    short.execute("SELECT 1 FROM servicing_event LIMIT 1")
                waited.append(time.monotonic() - began)
            long.rollback()

    begun = threading.Event()
    reader = threading.Thread(target=read_long_then_short)
    reader.start()
    begun.wait()
    call_command("migrate", "servicing", verbosity=0)
    reader.join()

    assert column_is_there(own)
    assert "tried again" in capsys.readouterr().err
    assert len(waited) > 1
    assert max(waited) < 2, "as long as a request waits for a lock"


def test_it_says_so_when_others_never_let_go_and_changes_nothing(own):
    with psycopg.connect(own.superuser_url) as long:
        long.execute("SELECT count(*) FROM servicing_event")
        with pytest.raises(CommandError, match="For 0 s others held a table"):
            call_command("migrate", "servicing", verbosity=0, patience_seconds=0, lock_ms=50)

    assert not column_is_there(own)


def test_a_statement_that_keeps_others_out_for_too_long_is_given_up(own: Any, monkeypatch):
    monkeypatch.setenv("TRIAL_SECONDS", "3")
    with pytest.raises(CommandError, match="longer than 1 s while it kept others out"):
        call_command("migrate", "servicing", verbosity=0, statement_seconds=1)

    assert not column_is_there(own)


def test_an_index_that_broke_off_is_not_passed_by_and_what_is_undone_is_sent_again(database):
    command = Command()
    command.connection, command.gives_up_at = connections["migrate"], time.monotonic() + 60
    command.limits, command.pause_seconds = {"lock_ms": 200}, 0.0
    sent: list[str] = []

    def execute(sql: str, *_rest: Any) -> str:
        sent.append(sql)
        if len(sent) % 2:
            raise OperationalError from psycopg.errors.DeadlockDetected()
        return "done"

    with pytest.raises(CommandError, match="is there as invalid"):
        command._execute(execute, "CREATE INDEX CONCURRENTLY IF NOT EXISTS trial ON t (c)", (), False, {})
    assert len(sent) == 1

    sent.clear()
    assert command._execute(execute, "ALTER TABLE t VALIDATE CONSTRAINT c", (), False, {}) == "done"
    assert len(sent) == 2


def test_limits_end_with_the_command(database):
    call_command("migrate", verbosity=0)
    with connections["migrate"].cursor() as cursor:
        cursor.execute("SELECT current_setting('lock_timeout'), current_setting('statement_timeout')")
        assert cursor.fetchone() == ("0", "0")
        cursor.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND objid = 7765320")
        assert cursor.fetchone() == (0,)
