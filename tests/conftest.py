"""One pair of embedded servers a test process, the runtime roles, the standing cast, and a clock that stands still.

Tests commit and nothing is flushed: each takes operators of its own, and isolation keeps them apart. ``north`` is the
operator under test, ``south`` its rival of the same shape.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg
import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import connections

from accounts import clock
from config import embedded
from tests import leaks
from tests.cast import NOON, Cast, new_cast

# The database with its schema and nothing else, for copies; nobody connects to it.
PRISTINE = "pristine"
# What the run makes that lets somebody in; at its end none of it may stand in the database or the log.
NOTED = leaks.Noted()


def pytest_configure(config: pytest.Config) -> None:
    leaks.note_everything(NOTED)
    config.pluginmanager.register(leaks.Told(config), "leaks")


@pytest.fixture(scope="session")
def servers(pytestconfig: pytest.Config) -> Iterator[embedded.Servers]:
    with tempfile.TemporaryDirectory(prefix="wickround-", ignore_cleanup_errors=True) as folder:
        running = embedded.start(Path(folder), durable=False, keep=False)
        log = Path(folder) / "test.log"
        handler = leaks.log_to(log)
        try:
            yield running.servers
        finally:
            handler.close()
            leaks.look(pytestconfig, running.servers, log, NOTED)
            connections.close_all()
            running.stop()


@pytest.fixture(scope="session")
def database(servers: embedded.Servers, django_db_blocker: Any) -> Iterator[embedded.Servers]:
    """The schema made by the owner's role; everything after it connects as the app and system roles."""
    urls = {
        "default": servers.database_url,
        "system": servers.database_system_url,
        "migrate": servers.database_migrate_url,
    }
    for alias, url in urls.items():
        parts = urlsplit(url)
        connections.settings[alias].update(
            HOST=parts.hostname,
            PORT=str(parts.port),
            USER=parts.username,
            PASSWORD=parts.password,
            NAME=parts.path.lstrip("/"),
            CONN_MAX_AGE=None,
        )
    os.environ.update(servers.environment())
    settings.REDIS_URL = servers.redis_url
    # All of them ask from one address; what limits mean has tests of its own.
    settings.RATE_LIMITS = dict.fromkeys(settings.RATE_LIMITS, (60_000_000, 1_000_000))
    # Most of them are about what is behind the sign-in; the second factor has tests of its own.
    settings.SECOND_FACTOR_NEEDED = False
    settings.SECRET_KEY = "only the tests sign with these words, and nobody else"
    with django_db_blocker.unblock():
        call_command("migrate", database="migrate", verbosity=0)
        connections["migrate"].close()
        embedded.create_database(servers, PRISTINE, template="wickround")
        yield servers


@pytest.fixture
def superuser(database: embedded.Servers) -> Iterator[psycopg.Connection[Any]]:
    """Whom no policy holds: to see what is really there, and to change what only a superuser can."""
    with psycopg.connect(database.superuser_url, autocommit=True) as connection:
        yield connection


@pytest.fixture(autouse=True)
def _standing_clock() -> Iterator[None]:
    clock.set_to(NOON)
    yield
    clock.set_to(None)


@pytest.fixture
def north(database: embedded.Servers) -> Cast:
    return new_cast("north")


@pytest.fixture
def south(database: embedded.Servers) -> Cast:
    return new_cast("south")


@pytest.fixture
def later() -> Any:
    """Moves the standing clock: ``later(days=3)``."""

    def move(**delta: float) -> datetime:
        from datetime import timedelta

        at = clock.now() + timedelta(**delta)
        clock.set_to(at.astimezone(UTC))
        return at

    return move


# These go over whatever all operators of the process's database have: the fewer there are by then, the sooner. Those of
# the demo and of whole processes take long alone, so no other process of the run waits for them at the end.
FIRST = (
    "test_swap.py",
    "test_rebuild_command.py",
    "test_rebuild.py",
    "test_rebuild_resumed.py",
    "test_refit.py",
    "test_lag_command.py",
    "test_breaking.py",
    "test_service_page.py",
    "test_demo_command.py",
    "test_composed_commands.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those first that would take the longer the later they come."""
    items.sort(key=lambda item: item.path.name not in FIRST)
