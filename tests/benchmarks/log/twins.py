"""Twins of the log: the same columns, keys, indexes and checks, without its policies, triggers and foreign key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import psycopg
from django.db import models, transaction
from psycopg import sql

from servicing.log import NewEvent, content_hash


def make_twin(connection: psycopg.Connection[Any], name: str) -> None:
    """An empty twin, into which the runtime role may insert too. As a superuser."""
    table = sql.Identifier(name)
    connection.execute(sql.SQL("DROP TABLE IF EXISTS {}").format(table))
    connection.execute(sql.SQL("CREATE TABLE {} (LIKE servicing_event INCLUDING ALL)").format(table))
    connection.execute(sql.SQL("GRANT SELECT, INSERT ON {} TO wickround_app").format(table))


def copy_into(connection: psycopg.Connection[Any], name: str, text: bytes) -> None:
    with connection.cursor().copy(sql.SQL("COPY {} FROM STDIN").format(sql.Identifier(name))) as into:
        into.write(text)


class BulkTwin(models.Model):
    """What Django writes by ``bulk_create``; the database fills recorded_at."""

    TABLE = "log_twin_bulk"

    position = models.BigAutoField(primary_key=True)
    operator_id = models.UUIDField()
    event_id = models.UUIDField()
    device_id = models.UUIDField()
    device_sequence = models.BigIntegerField()
    subject_kind = models.TextField()
    subject_id = models.UUIDField()
    type = models.TextField()
    schema_version = models.SmallIntegerField()
    occurred_at = models.DateTimeField()
    received_at = models.DateTimeField()
    actor_kind = models.TextField()
    actor_id = models.UUIDField(null=True)
    member_id = models.UUIDField(null=True)
    visit_id = models.UUIDField(null=True)
    touch_id = models.UUIDField(null=True)
    corrects = models.UUIDField(null=True)
    payload = models.JSONField()
    content_hash = models.BinaryField()

    class Meta:
        app_label = "benchmarks"
        managed = False
        db_table = "log_twin_bulk"

    def __str__(self) -> str:
        return f"{self.type} at {self.position}"


def bulk_create(operator_id: UUID, events: Sequence[NewEvent]) -> None:
    """One transaction: the same values, the hash included, no lock, no policy, no fate."""
    names = NewEvent.__slots__
    with transaction.atomic():
        BulkTwin._default_manager.bulk_create(
            BulkTwin(
                operator_id=operator_id,
                content_hash=content_hash(event, from_office=False),
                **{name: getattr(event, name) for name in names},
            )
            for event in events
        )
