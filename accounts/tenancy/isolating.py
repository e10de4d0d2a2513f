"""The isolation in SQL, as migrations make it: row security with its policies, composite keys, and privileges."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

from accounts.tenancy.names import APP_ROLE, OWNER_ROLE, SCOPE_SQL, SYSTEM_ROLE


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
