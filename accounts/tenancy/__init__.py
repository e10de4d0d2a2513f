"""Shared tables, one operator at a time: the scope, the base of every operator's table, and the isolation in SQL.

Three lines of defence: the manager raises outside a scope and filters inside it; row-level security answers with
nothing for any other operator; composite foreign keys keep a row from pointing at another operator's row.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import connections, models, transaction

from accounts import clock, origin
from accounts.ids import uuid7
from accounts.permissions import Actor
from accounts.tenancy.auditing import ACTING, Audited
from accounts.tenancy.isolating import Grant, Isolate, TenantForeignKey, isolation_sql
from accounts.tenancy.names import (
    APP_ROLE,
    GLOBAL_TABLES,
    OWNER_ROLE,
    SCOPE_SQL,
    SETTING,
    SYSTEM_ROLE,
)

__all__ = [
    "APP_ROLE",
    "GLOBAL_TABLES",
    "OWNER_ROLE",
    "SCOPE_SQL",
    "SETTING",
    "SYSTEM_ROLE",
    "Audited",
    "Grant",
    "Isolate",
    "NoOperatorScope",
    "OperatorManager",
    "OperatorOwned",
    "OperatorScoped",
    "ScopeConflict",
    "TenantForeignKey",
    "across_operators",
    "at_the_end",
    "current_operator_id",
    "isolation_sql",
    "one_transaction",
    "operator_scope",
    "reading",
    "scope_operator_id",
    "writing",
]


class NoOperatorScope(RuntimeError):
    """A tenant table was asked without saying for which operator."""


class ScopeConflict(RuntimeError):
    """A scope was opened for one operator inside the scope of another."""


@dataclass(frozen=True, slots=True)
class _Scope:
    operator_id: UUID | None  # None: across operators, on the system alias only
    using: str


_scope: ContextVar[_Scope | None] = ContextVar("wickround_scope", default=None)
# What is still to be done at the end of the open ``writing``; None outside of one.
_due: ContextVar[list[Callable[[], None]] | None] = ContextVar("wickround_due", default=None)
# Inside ``one_transaction``, whether one of its commands is at work; None outside of it.
_is_at_work: ContextVar[bool | None] = ContextVar("wickround_at_work", default=None)


def current_operator_id() -> UUID:
    """The operator of the open scope; raises NoOperatorScope."""
    scope = _scope.get()
    if scope is None or scope.operator_id is None:
        raise NoOperatorScope(
            "Open an operator's scope first: tenancy.reading(actor) or tenancy.writing(actor)."
        )
    return scope.operator_id


def scope_operator_id() -> UUID | None:
    """The open scope's operator, as the default of a new row; None outside one, which the column refuses."""
    scope = _scope.get()
    return scope.operator_id if scope else None


@contextmanager
def operator_scope(
    operator_id: UUID,
    *,
    using: str = "default",
    read_only: bool = False,
    durable: bool = False,
    lock_timeout_ms: int = 0,
    one_snapshot_of: Sequence[str] = (),
    acting: str = "",
) -> Iterator[None]:
    """Open a transaction in which this operator's rows, and no others, are there.

    The setting is local to the transaction; a nested scope must name the same operator, else ScopeConflict.
    ``acting``: who writes, for the audit, as JSON; as it was when left out.
    ``one_snapshot_of``: all statements see the rows of one moment (REPEATABLE READ), for checks that compare tables.
    These are locked before that moment, so that none is swapped for a newer one whose rows the snapshot can't see.
    """
    outer = _scope.get()
    if outer is not None and (outer.operator_id, outer.using) != (operator_id, using):
        raise ScopeConflict(f"This transaction acts for operator {outer.operator_id}, not {operator_id}.")
    connection = connections[using]
    nested = connection.in_atomic_block
    with transaction.atomic(using=using, durable=durable):
        if nested and read_only and _is_at_work.get() is False:
            _do_what_is_due_at_commit(connection)
        elif one_snapshot_of:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
                # A LOCK takes no snapshot.
                cursor.execute(f"LOCK TABLE {', '.join(one_snapshot_of)} IN ACCESS SHARE MODE")
        previous = _set_operator(connection, operator_id, read_only and not nested, lock_timeout_ms, acting)
        token = _scope.set(_Scope(operator_id, using))
        try:
            yield
        finally:
            _scope.reset(token)
        if nested and previous != (str(operator_id), acting or previous[1]):
            # A released savepoint keeps the settings; put back what the outer block had.
            _put_back(connection, *previous)


def _do_what_is_due_at_commit(connection: Any) -> None:
    """Such as counting versions. Whatever follows is again done at the commit."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def _set_operator(
    connection: Any,
    operator_id: UUID,
    read_only: bool,  # noqa: FBT001
    lock_timeout_ms: int,
    acting: str,
) -> tuple[str, str]:
    """Gives the operator and who acted before."""
    sql = f"SELECT current_setting('{SETTING}', true), current_setting('{ACTING}', true), set_config('{SETTING}', %s, true)"
    values = [str(operator_id)]
    if acting:
        sql += f", set_config('{ACTING}', %s, true)"
        values.append(acting)
    if read_only:
        sql += ", set_config('transaction_read_only', 'on', true)"
    if lock_timeout_ms:
        sql += f", set_config('lock_timeout', '{lock_timeout_ms:d}', true)"
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        before = cursor.fetchone()
    return before[0] or "", before[1] or ""


def _put_back(connection: Any, operator_id: str, acting: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT set_config('{SETTING}', %s, true), set_config('{ACTING}', %s, true)",
            [operator_id, acting],
        )


@contextmanager
def reading(actor: Actor) -> Iterator[None]:
    """The doors' read: one READ ONLY transaction in the actor's scope. Evaluate inside, render outside."""
    with operator_scope(actor.operator_id, read_only=True):
        yield


@contextmanager
def writing(actor: Actor, *, lock_timeout_ms: int = 2_000) -> Iterator[None]:
    """A command's one durable transaction in the actor's scope. A wait for a lock ends after 2 s (0: never).

    Inside ``one_transaction`` it is a part of that: undone by itself when it raises, durable once the whole is. The audit
    tells of what is changed in it that the actor did it, coming from where the work at hand comes from.
    """
    is_alone = _is_at_work.get() is None
    outer: list[Callable[[], None]] | None = _due.get()
    due: list[Callable[[], None]] = []
    with operator_scope(
        actor.operator_id, durable=is_alone, lock_timeout_ms=lock_timeout_ms, acting=_acting(actor)
    ):
        at_work, owed = _is_at_work.set(None if is_alone else True), _due.set(due)
        try:
            yield
            if outer is None:
                for do in due:
                    do()
        finally:
            _is_at_work.reset(at_work)
            _due.reset(owed)
    if outer is not None:
        outer += due


def at_the_end(do: Callable[[], None]) -> None:
    """Do this as the last of the open ``writing``, before it is stored: for what takes a lock that all others wait for.

    Nothing of it is done when the command that asked for it is undone. Raises NoOperatorScope outside of one.
    """
    due = _due.get()
    if due is None:
        raise NoOperatorScope("Nothing is being written here: open tenancy.writing(actor) first.")
    due.append(do)


def _acting(actor: Actor) -> str:
    """Who writes, when by the one clock, and from where: what the database notes of each change."""
    whence = origin.current()
    return json.dumps(
        {
            "kind": actor.kind,
            "id": actor.id and str(actor.id),
            "name": actor.name,
            "at": clock.now().isoformat(),
            "address": whence.address,
            "request_id": whence.request_id and str(whence.request_id),
            "door": whence.door,
        }
    )


@contextmanager
def one_transaction(actor: Actor, *, lock_timeout_ms: int = 2_000) -> Iterator[None]:
    """One durable transaction for several commands, and for what a door keeps of them: all of it is stored or nothing.

    What a door reads after a command is as it will be after the commit.
    """
    with writing(actor, lock_timeout_ms=lock_timeout_ms):
        token = _is_at_work.set(False)
        try:
            yield
        finally:
            _is_at_work.reset(token)


@contextmanager
def across_operators() -> Iterator[None]:
    """Every operator's rows, as the system role with its narrow grants. Callers stand on a list in the tests."""
    if _scope.get() is not None:
        raise ScopeConflict("Leave the operator's scope before looking across operators.")
    with transaction.atomic(using="system"):
        token = _scope.set(_Scope(None, "system"))
        try:
            yield
        finally:
            _scope.reset(token)


class OperatorManager(models.Manager[Any]):
    """Raises outside a scope; inside one it sees that operator's rows only."""

    def get_queryset(self) -> models.QuerySet[Any]:
        scope = _scope.get()
        if scope is None:
            raise NoOperatorScope(f"{self.model.__name__} was asked for outside an operator's scope.")
        rows: models.QuerySet[Any] = models.QuerySet(self.model, using=scope.using)
        return rows if scope.operator_id is None else rows.filter(operator_id=scope.operator_id)


class OperatorScoped(models.Model):
    """A row of one operator, whose key is its own business. Its migration must name it in ``Isolate``."""

    operator = models.ForeignKey(
        "accounts.Operator",
        on_delete=models.PROTECT,
        related_name="+",
        default=scope_operator_id,
        editable=False,
        # Every key of a tenant table leads with the operator. An index on it alone would serve nothing, and a plan made
        # while a table is small would choose it for checks of references and keep it when the table is large.
        db_index=False,
    )

    objects = OperatorManager()

    class Meta:
        abstract = True


class OperatorOwned(OperatorScoped):
    """A row of one operator with an id made by the server."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)

    class Meta:
        abstract = True
