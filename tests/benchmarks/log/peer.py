"""The peer: the library ``eventsourcing`` (PyPI) on the same server, by its own factory with its defaults.

It signs in as the superuser to a database of its own, so that no policy and no missing privilege slows it. Its events
carry the same fields; ids and times that are no key of its table are plain text already, which spares its transcoder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import psycopg
from eventsourcing.application import Application
from eventsourcing.domain import DomainEvent
from psycopg import sql

from servicing.log import NewEvent

DATABASE = "log_peer"


@dataclass(frozen=True)
class ServiceEvent(DomainEvent):
    """One event of a device: the originator is the device, the version its sequence."""

    event_id: str
    subject_kind: str
    subject_id: str
    type: str
    schema_version: int
    occurred_at: str
    received_at: str
    actor_kind: str
    actor_id: str | None
    member_id: str | None
    visit_id: str | None
    touch_id: str | None
    corrects: str | None
    payload: dict[str, Any]


def make_database(superuser_url: str) -> None:
    """An empty database for it; one that stands there from an earlier module goes first."""
    with psycopg.connect(superuser_url, autocommit=True) as connection:
        connection.execute(
            sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(DATABASE))
        )
        connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(DATABASE)))


def open_application(superuser_url: str, **settings: str) -> Application[UUID]:
    """Its application with the PostgreSQL factory; ``close`` it."""
    url = urlsplit(superuser_url)
    return Application(
        env={
            "PERSISTENCE_MODULE": "eventsourcing.postgres",
            "POSTGRES_DBNAME": DATABASE,
            "POSTGRES_HOST": url.hostname or "",
            "POSTGRES_PORT": str(url.port),
            "POSTGRES_USER": url.username or "",
            "POSTGRES_PASSWORD": url.password or "",
            **settings,
        }
    )


def as_its_own(events: Sequence[NewEvent], recorded_at: datetime) -> list[ServiceEvent]:
    return [
        ServiceEvent(
            originator_id=e.device_id,
            originator_version=e.device_sequence or 0,
            timestamp=recorded_at,
            event_id=str(e.event_id),
            subject_kind=e.subject_kind,
            subject_id=str(e.subject_id),
            type=e.type,
            schema_version=e.schema_version,
            occurred_at=e.occurred_at.isoformat(),
            received_at=e.received_at.isoformat(),
            actor_kind=e.actor_kind,
            actor_id=_text(e.actor_id),
            member_id=_text(e.member_id),
            visit_id=_text(e.visit_id),
            touch_id=_text(e.touch_id),
            corrects=_text(e.corrects),
            payload=e.payload,
        )
        for e in events
    ]


def _text(value: UUID | None) -> str | None:
    return None if value is None else str(value)
