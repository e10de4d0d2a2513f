"""Break a piece of work at its k-th step with the database. Steps are counted in the driver, which nothing gets past.

A step is a statement (of any cursor, one row or many), or a commit; a commit is two steps, for what breaks there may break
before or after the server has done it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import psycopg

CRASHED = 9


class How(StrEnum):
    """What happens at the step."""

    REFUSED = "refused"  # the server ends the statement, as for its time limit; the transaction is broken, the connection is not
    GONE = "gone"  # the server is gone
    CRASHED = "crashed"  # this process is gone


@dataclass
class Steps:
    """What was counted. ``at`` is the step to break, from 1; 0 breaks none."""

    at: int = 0
    how: How = How.GONE
    count: int = 0
    is_broken: bool = False
    commits: int = 0
    # Called after each commit that the server has done.
    on_commit: Callable[[], None] = lambda: None

    def next_breaks(self) -> bool:
        self.count += 1
        return self.count == self.at and not self.is_broken

    def at_statement(self, connection: psycopg.Connection[Any]) -> None:
        if self.next_breaks():
            self._break(connection)

    def at_commit(self, connection: psycopg.Connection[Any], commit: Any) -> None:
        if self.next_breaks():
            self._break(connection)
        commit(connection)
        self.commits += 1
        self.on_commit()
        if self.next_breaks():
            # Done, but nobody hears of it.
            self._break(connection, how=How.CRASHED if self.how is How.CRASHED else How.GONE)

    def _break(self, connection: psycopg.Connection[Any], how: How | None = None) -> None:
        self.is_broken = True
        match how or self.how:
            case How.CRASHED:
                os._exit(CRASHED)
            case How.GONE:
                connection.close()
                raise psycopg.OperationalError("the connection is lost")
            case How.REFUSED:
                # Said by the server itself, so that the transaction stands as it does then.
                _said_by_the_server(connection)


_executed = psycopg.Cursor.execute


def _said_by_the_server(connection: psycopg.Connection[Any]) -> None:
    _executed(
        psycopg.Cursor(connection),
        "DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = 'query_canceled', "
        "MESSAGE = 'canceling statement due to statement timeout'; END $$",
    )
    raise AssertionError("The server should have refused.")


@contextmanager
def counted(
    at: int = 0, how: How = How.GONE, on_commit: Callable[[], None] = lambda: None
) -> Iterator[Steps]:
    """Count the steps of the block, and break the one at ``at``."""
    steps = Steps(at, how, on_commit=on_commit)
    places = [
        (kind, name) for kind in (psycopg.Cursor, psycopg.ServerCursor) for name in ("execute", "executemany")
    ]
    before = [(kind, name, kind.__dict__[name]) for kind, name in places if name in kind.__dict__]
    commit = psycopg.Connection.commit
    depth = [0]  # one cursor's execute may call another's

    def statement(original: Any) -> Any:
        def execute(cursor: Any, *args: Any, **kwargs: Any) -> Any:
            if depth[0] == 0:
                steps.at_statement(cursor.connection)
            depth[0] += 1
            try:
                return original(cursor, *args, **kwargs)
            finally:
                depth[0] -= 1

        return execute

    for kind, name, original in before:
        setattr(kind, name, statement(original))
    psycopg.Connection.commit = lambda connection: steps.at_commit(connection, commit)  # type: ignore[assignment, method-assign]
    try:
        yield steps
    finally:
        for kind, name, original in before:
            setattr(kind, name, original)
        psycopg.Connection.commit = commit  # type: ignore[method-assign]
