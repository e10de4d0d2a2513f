"""After how long the database gives up: what each kind of process asks of it, and what a person is told."""

from __future__ import annotations

import os
import subprocess
import sys

import psycopg
import pytest
from django.core.exceptions import ImproperlyConfigured
from django.db import OperationalError, connection, connections

from config import settings as said
from config.errors import as_refusal


def options_of(module: str) -> str:
    """What a process of this kind says to the database; the wsgi and the Celery modules set it before the settings are read."""
    code = f"import {module}; from django.conf import settings; print(settings.DATABASES['default']['OPTIONS']['options'])"
    environment = {name: value for name, value in os.environ.items() if not name.startswith("WICKROUND_")}
    environment |= {"WICKROUND_SECRET_KEY": "x" * 40, "DJANGO_SETTINGS_MODULE": "config.settings"}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code],
        capture_output=True,
        text=True,
        env=environment,
        check=True,
    )
    return done.stdout.strip().splitlines()[-1]


def test_each_kind_of_process_has_its_own_patience():
    # That its client is gone, a statement notices within five seconds, in every process.
    for module, statement, idle in (
        ("config.celery", 60_000, 60_000),
        ("config.wsgi", 5_000, 30_000),
        ("config.routers", 0, 0),
    ):
        assert options_of(module) == (
            f"-c client_connection_check_interval=5000 -c statement_timeout={statement} "
            f"-c idle_in_transaction_session_timeout={idle}"
        )


def test_the_owner_that_migrates_waits_as_long_as_it_takes(monkeypatch):
    monkeypatch.setenv("WICKROUND_STATEMENT_SECONDS", "5")

    assert said.database("DATABASE_MIGRATE_URL", role="wickround_owner")["OPTIONS"] == {
        "options": "-c role=wickround_owner"
    }
    assert "statement_timeout=5000" in said.database("DATABASE_URL")["OPTIONS"]["options"]


@pytest.mark.parametrize("wrong", ["soon", "-1", "1.5"])
def test_seconds_are_whole(monkeypatch, wrong):
    monkeypatch.setenv("WICKROUND_STATEMENT_SECONDS", wrong)

    with pytest.raises(ImproperlyConfigured, match="whole number of seconds"):
        said.env_seconds("WICKROUND_STATEMENT_SECONDS")


def test_a_statement_that_takes_too_long_is_given_up_and_said_so(database):
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 50")
        try:
            with pytest.raises(OperationalError) as given_up:
                cursor.execute("SELECT pg_sleep(5)")
        finally:
            cursor.execute("SET statement_timeout = 0")

    refusal = as_refusal(given_up.value)
    assert refusal is not None
    assert refusal.status == 503


def test_a_transaction_in_which_nothing_happens_is_ended(database):
    with psycopg.connect(
        database.database_url, options="-c idle_in_transaction_session_timeout=100"
    ) as forgotten:
        forgotten.execute("SELECT 1")
        with connections["default"].cursor() as cursor:
            cursor.execute("SELECT pg_sleep(0.4)")
        with pytest.raises(psycopg.errors.IdleInTransactionSessionTimeout):
            forgotten.execute("SELECT 1")
