"""Rows by id in one statement, for what every upload asks."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any, TypeVar
from uuid import UUID

from django.db import connection

from accounts.tenancy import current_operator_id

Row = TypeVar("Row")


def by_ids(sql: str, ids: Collection[UUID], read: Callable[[tuple[Any, ...]], Row]) -> list[Row]:
    """Each row that the statement finds of the scope's operator among these ids, as ``read`` makes it."""
    with connection.cursor() as cursor:
        cursor.execute(sql, [current_operator_id(), list(ids)])
        return [read(row) for row in cursor.fetchall()]
