"""What changed after a position, in the order of the commits."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import connection

from accounts.permissions import Actor
from accounts.tenancy import current_operator_id, operator_scope
from billing.rules.feed_tokens import epoch_of


@dataclass(frozen=True, slots=True)
class Change:
    """A thing as it changed last; ``gone``: it is no longer there."""

    kind: str
    id: UUID
    position: int
    version: int
    gone: bool
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class Page:
    """``onward``: the position to read on from, also past changes that were not asked for; ``more``: there are more now."""

    changes: list[Change]
    onward: int
    more: bool


@dataclass(frozen=True, slots=True)
class History:
    """Which history the positions are of, and the last one drawn in it."""

    epoch: bytes
    head: int


@contextmanager
def one_moment(actor: Actor) -> Iterator[None]:
    """Changes and the things that they tell of, as they stood at one moment."""
    with operator_scope(actor.operator_id, read_only=True, one_snapshot_of=("billing_change",)):
        yield


# Each tells a history from another that the same positions came up in: the first two change with a physical restore and
# when another server takes over, the last two when a dump is read into a database again.
_HISTORY = """
SELECT system_identifier, left(pg_walfile_name(pg_current_wal_lsn()), 8), 'billing_change'::regclass::oid,
    (SELECT oid FROM pg_database WHERE datname = current_database()),
    (SELECT coalesce(max(position), 0) FROM billing_change WHERE operator_id = %s)
FROM pg_control_system()
"""
_CHANGES = """
SELECT kind, object_id, position, version, gone, changed_at FROM billing_change
WHERE operator_id = %s AND position > %s AND kind = ANY(%s) ORDER BY position LIMIT %s
"""


def history() -> History:
    """The history of the operator's positions."""
    with connection.cursor() as cursor:
        cursor.execute(_HISTORY, [current_operator_id()])
        *identity, head = cursor.fetchone()
    return History(epoch_of(*identity), head)


def changes_after(position: int, *, kinds: Collection[str], limit: int, head: int) -> Page:
    """Up to ``limit`` changes of these kinds after a position, in order. Ask for ``head`` in the same moment."""
    with connection.cursor() as cursor:
        cursor.execute(_CHANGES, [current_operator_id(), position, list(kinds), limit + 1])
        found = [Change(*row) for row in cursor.fetchall()]
    more = len(found) > limit
    changes = found[:limit]
    return Page(changes, changes[-1].position if more else head, more)
