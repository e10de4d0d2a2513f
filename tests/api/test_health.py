"""Alive and ready: what the addresses for probes say."""

from __future__ import annotations

from urllib.parse import urlsplit

import pytest
from django.db import connection, connections
from django.db.migrations.executor import MigrationExecutor
from django.test import Client

from config import health


class Unapplied:
    """An executor that finds one migration still to do."""

    def __init__(self, connection):
        self.loader = MigrationExecutor(connection).loader

    def migration_plan(self, targets):
        return [(self.loader.graph.nodes[targets[0]], False)]


@pytest.fixture
def durable(database):
    """As on a real server: the test servers give up durability for speed."""
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = on")
        yield
        cursor.execute("RESET synchronous_commit")


def test_alive_is_answered_without_looking_at_anything_and_on_plain_http():
    answer = Client().get("/healthz")

    assert (answer.status_code, answer.content) == (200, b"alive\n")


def test_ready_when_role_durability_and_migrations_hold(durable):
    answer = Client().get("/readyz")

    assert (answer.status_code, answer.content) == (200, b"ready\n")


def test_not_ready_while_an_answer_does_not_mean_stored(database):
    answer = Client().get("/readyz")

    assert (answer.status_code, answer.content) == (503, b"not ready: durability\n")


def test_not_ready_with_a_migration_pending(durable, monkeypatch):
    monkeypatch.setattr(health, "MigrationExecutor", Unapplied)

    assert health.unready() == ["migrations"]


def test_not_ready_with_a_role_above_isolation(durable, database, monkeypatch):
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        assert cursor.fetchone() == ("wickround_app",)
    superuser = _as(database.superuser_url)
    monkeypatch.setattr(health, "connection", superuser)

    assert health.unready() == ["role", "durability"]

    superuser.close()


def _as(url):
    parts = urlsplit(url)
    made = connections["default"].copy()
    made.settings_dict.update(
        USER=parts.username, PASSWORD=parts.password, HOST=parts.hostname, PORT=str(parts.port)
    )
    return made
