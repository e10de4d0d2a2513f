"""Shared tables, one operator at a time: the scope, the base of every operator's table, and the isolation in SQL.

Three lines of defence: the manager raises outside a scope and filters inside it; row-level security answers with
nothing for any other operator; composite foreign keys keep a row from pointing at another operator's row.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import connections, models, transaction
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

from accounts.ids import uuid7
from accounts.permissions import Actor

SETTING = "wickround.operator_id"
OWNER_ROLE = "wickround_owner"
APP_ROLE = "wickround_app"
SYSTEM_ROLE = "wickround_system"

# The sub-select makes the setting an InitPlan: read once a statement, and usable as an index condition.
SCOPE_SQL = f"(SELECT nullif(current_setting('{SETTING}', true), ''))::uuid"


class NoOperatorScope(RuntimeError):
    """A tenant table was asked without saying for which operator."""


class ScopeConflict(RuntimeError):
    """A scope was opened for one operator inside the scope of another."""


@dataclass(frozen=True, slots=True)
class _Scope:
    operator_id: UUID | None  # None: across operators, on the system alias only
    using: str


_scope: ContextVar[_Scope | None] = ContextVar("wickround_scope", default=None)
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
) -> Iterator[None]:
    """Open a transaction in which this operator's rows, and no others, are there.

    The setting is local to the transaction; a nested scope must name the same operator, else ScopeConflict.
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
        previous = _set_operator(connection, operator_id, read_only and not nested, lock_timeout_ms)
        token = _scope.set(_Scope(operator_id, using))
        try:
            yield
        finally:
            _scope.reset(token)
        if nested and previous != str(operator_id):
            # A released savepoint keeps the setting; put back what the outer block had.
            _set_setting(connection, previous)


def _do_what_is_due_at_commit(connection: Any) -> None:
    """Such as counting versions. Whatever follows is again done at the commit."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def _set_operator(connection: Any, operator_id: UUID, read_only: bool, lock_timeout_ms: int) -> str:  # noqa: FBT001
    sql = f"SELECT current_setting('{SETTING}', true), set_config('{SETTING}', %s, true)"
    if read_only:
        sql += ", set_config('transaction_read_only', 'on', true)"
    if lock_timeout_ms:
        sql += f", set_config('lock_timeout', '{lock_timeout_ms:d}', true)"
    with connection.cursor() as cursor:
        cursor.execute(sql, [str(operator_id)])
        return cursor.fetchone()[0] or ""


def _set_setting(connection: Any, value: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT set_config('{SETTING}', %s, true)", [value])


@contextmanager
def reading(actor: Actor) -> Iterator[None]:
    """The doors' read: one READ ONLY transaction in the actor's scope. Evaluate inside, render outside."""
    with operator_scope(actor.operator_id, read_only=True):
        yield


@contextmanager
def writing(actor: Actor, *, lock_timeout_ms: int = 2_000) -> Iterator[None]:
    """A command's one durable transaction in the actor's scope. A wait for a lock ends after 2 s (0: never).

    Inside ``one_transaction`` it is a part of that: undone by itself when it raises, durable once the whole is.
    """
    is_alone = _is_at_work.get() is None
    with operator_scope(actor.operator_id, durable=is_alone, lock_timeout_ms=lock_timeout_ms):
        token = _is_at_work.set(None if is_alone else True)
        try:
            yield
        finally:
            _is_at_work.reset(token)


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


class TenantForeignKey(models.ForeignKey):
    """A reference inside one operator; ``Isolate`` makes the composite key (operator, id) in the database."""

    def __init__(self, to: Any, on_delete: Any = models.PROTECT, **kwargs: Any) -> None:
        kwargs["db_constraint"] = False
        kwargs.setdefault("related_name", "+")
        super().__init__(to, on_delete, **kwargs)


def isolation_sql(
    table: str, column: str = "operator_id", *, system: bool = False, schema: str = "public"
) -> list[str]:
    """Row-level security with its named policies for one table."""
    condition = f"{column} = {SCOPE_SQL}"
    name = f'"{schema}"."{table}"'
    statements = [
        f"ALTER TABLE {name} ENABLE ROW LEVEL SECURITY",
        f"ALTER TABLE {name} FORCE ROW LEVEL SECURITY",
        f"CREATE POLICY app ON {name} TO {APP_ROLE} USING ({condition}) WITH CHECK ({condition})",
        # Without it data migrations change nothing and foreign keys validate over orphans, both in silence.
        f"CREATE POLICY owner ON {name} TO {OWNER_ROLE} USING (true) WITH CHECK (true)",
    ]
    if system:
        statements.append(f"CREATE POLICY system ON {name} TO {SYSTEM_ROLE} USING (true) WITH CHECK (true)")
    return statements


class Isolate(Operation):
    """Row-level security, composite keys and grants for the named models of this app.

    Frozen: migrations that ran keep what this made of them. Change by adding an operation, not by editing this one.
    """

    reversible = True

    def __init__(self, *models: str, app: str = "SELECT, INSERT, UPDATE, DELETE", system: str = "") -> None:
        self.models = models
        self.app = app
        self.system = system

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        return (self.__class__.__qualname__, list(self.models), {"app": self.app, "system": self.system})

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        """The models stay as they are."""

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        # Keys first: a composite foreign key may point at a table of the same operation.
        tables = [to_state.apps.get_model(app_label, name) for name in self.models]
        for model in tables:
            for sql in self._own_sql(model):
                schema_editor.execute(sql)
        for model in tables:
            for sql in composite_keys_sql(model):
                schema_editor.execute(sql)

    def _own_sql(self, model: type[models.Model]) -> list[str]:
        table = model._meta.db_table
        tenant = any(f.name == "operator" for f in model._meta.fields)
        statements = isolation_sql(table, "operator_id" if tenant else "id", system=bool(self.system))
        if tenant and not _leads_with_operator(model):
            statements.insert(
                0, f'ALTER TABLE "{table}" ADD CONSTRAINT "{table}_operator_id" UNIQUE (operator_id, id)'
            )
        if self.app:
            statements.append(f'GRANT {self.app} ON "{table}" TO {APP_ROLE}')
        if self.system:
            statements.append(f'GRANT {self.system} ON "{table}" TO {SYSTEM_ROLE}')
        return statements

    def database_backwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        """The tables are dropped by the operations before this one."""

    def describe(self) -> str:
        return "Isolate " + ", ".join(self.models)


def _leads_with_operator(model: type[models.Model]) -> bool:
    return isinstance(model._meta.pk, models.CompositePrimaryKey)


def composite_keys_sql(model: type[models.Model]) -> list[str]:
    """ALTER TABLE statements: each reference to an operator's row carries the operator."""
    table = model._meta.db_table
    return [
        f'ALTER TABLE "{table}" ADD CONSTRAINT "{table}_{field.column}_operator" '
        f'FOREIGN KEY (operator_id, "{field.column}") REFERENCES "{field.related_model._meta.db_table}" (operator_id, id)'
        for field in model._meta.fields
        if isinstance(field, TenantForeignKey)
    ]


class Grant(Operation):
    """Privileges of the runtime roles on a global table (one that stands on the list of global tables)."""

    reversible = True

    def __init__(self, tables: list[str], *, app: str = "", system: str = "") -> None:
        self.tables = tables
        self.app = app
        self.system = system

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        return (self.__class__.__qualname__, [self.tables], {"app": self.app, "system": self.system})

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        """No model changes."""

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        for table in self.tables:
            for role, privileges in ((APP_ROLE, self.app), (SYSTEM_ROLE, self.system)):
                if privileges:
                    schema_editor.execute(f'GRANT {privileges} ON "{table}" TO {role}')

    def database_backwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        for table in self.tables:
            schema_editor.execute(f'REVOKE ALL ON "{table}" FROM {APP_ROLE}, {SYSTEM_ROLE}')

    def describe(self) -> str:
        return "Grant on " + ", ".join(self.tables)


# Tables that carry no operator, and why. ``manage.py audit_isolation`` refuses any other table without isolation.
GLOBAL_TABLES: dict[str, str] = {
    "accounts_user": "a person may belong to several operators; memberships are tenant rows",
    "auth_group": "Django's, unused and empty",
    "auth_group_permissions": "Django's, unused and empty",
    "auth_permission": "Django's, describes models only",
    "django_content_type": "Django's, describes models only",
    "django_migrations": "Django's, describes the schema only",
    "django_session": "Django's sign-in sessions, read before the operator is known",
    "demo_tenant_world": "one row that says which invented world a trial database holds",
    "oauth2_provider_accesstoken": "OAuth's, unused: tokens are rows of their operator",
    "oauth2_provider_devicegrant": "OAuth's, unused: client credentials only",
    "oauth2_provider_grant": "OAuth's, unused: client credentials only",
    "oauth2_provider_idtoken": "OAuth's, unused: client credentials only",
    "oauth2_provider_refreshtoken": "OAuth's, unused: client credentials only",
    "servicing_projectionversion": "which making of the derived tables is live; the tables hold every operator's rows",
}
