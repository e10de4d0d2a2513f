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


@pytest.fixture(autouse=True)
def _nothing_known(monkeypatch):
    monkeypatch.setattr(health._Known, "applied", None)


@pytest.fixture
def committing(database):
    """The one setting of the three that a session may change: the test servers give up durability for speed."""
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = on")
        yield
        cursor.execute("RESET synchronous_commit")


@pytest.fixture
def durable(committing, monkeypatch):
    """As on a real server, as far as a session can have it."""
    monkeypatch.setattr(health, "DURABLE", ("synchronous_commit",))


def test_alive_is_answered_without_looking_at_anything_and_on_plain_http():
    answer = Client().get("/healthz")

    assert (answer.status_code, answer.content) == (200, b"alive\n")


def test_ready_when_role_durability_and_migrations_hold(durable):
    answer = Client().get("/readyz")

    assert (answer.status_code, answer.content) == (200, b"ready\n")


def test_not_ready_while_an_answer_does_not_mean_stored(database):
    answer = Client().get("/readyz")

    assert (answer.status_code, answer.content) == (503, b"not ready: durability\n")


@pytest.mark.parametrize("name", ["fsync", "full_page_writes"])
def test_not_ready_while_the_server_itself_does_not_wait_for_its_disk(committing, monkeypatch, name):
    # PostgreSQL's documentation, 19.5: with either off a power cut may leave pages that nothing can put right.
    assert name in health.DURABLE
    monkeypatch.setattr(health, "DURABLE", ("synchronous_commit", name))

    assert health.unready() == ["durability"]


def test_what_was_applied_is_asked_of_the_database_and_planned_once(durable, monkeypatch, superuser):
    assert health.unready() == []
    planned = []

    class Counted(MigrationExecutor):
        def migration_plan(self, targets):
            planned.append(targets)
            return super().migration_plan(targets)

    monkeypatch.setattr(health, "MigrationExecutor", Counted)
    assert health.unready() == []
    assert planned == []

    # As after a backup of an older schema was put in: what is missing is missed.
    row = superuser.execute(
        "DELETE FROM django_migrations WHERE id = (SELECT max(id) FROM django_migrations) RETURNING *"
    ).fetchone()
    try:
        assert health.unready() == ["migrations"]
    finally:
        superuser.execute(
            "INSERT INTO django_migrations (id, app, name, applied) OVERRIDING SYSTEM VALUE VALUES (%s, %s, %s, %s)",
            row,
        )
    assert health.unready() == []
    assert len(planned) == 2


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
