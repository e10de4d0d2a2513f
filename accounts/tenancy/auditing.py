"""The audit in SQL, as migrations make it: which tables tell of their changes, and which of their values may be told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState

# The transaction's own setting that says who acts, and from where, as JSON; ``tenancy.writing`` sets it.
ACTING = "wickround.acting"


class Audited(Operation):
    """Each change of a row of this model is an entry of the audit, made by the database at the end of the transaction.

    Names of changed columns are always told, values only of the columns in ``values``: no names, addresses, texts, digests or
    secrets. ``label``: the column with the code or number by which people know the row. ``ignored``: columns whose change
    alone tells nothing, such as when it was last used. ``on``: the changes that are told, when not all.

    Frozen: migrations that ran keep what this made of them. Change by adding an operation, not by editing this one.
    """

    reversible = True

    def __init__(
        self,
        model: str,
        *,
        values: Sequence[str] = (),
        label: str = "",
        ignored: Sequence[str] = (),
        on: Sequence[str] = ("INSERT", "UPDATE", "DELETE"),
    ) -> None:
        self.model = model
        self.values = list(values)
        self.label = label
        self.ignored = list(ignored)
        self.on = list(on)

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        rest = {"values": self.values, "label": self.label, "ignored": self.ignored, "on": self.on}
        return (self.__class__.__qualname__, [self.model], rest)

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        """The model stays as it is."""

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        for sql in self._sql(to_state.apps.get_model(app_label, self.model)):
            schema_editor.execute(sql)

    def database_backwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        table = from_state.apps.get_model(app_label, self.model)._meta.db_table
        for suffix in ("audited", "audited_change"):
            schema_editor.execute(f'DROP TRIGGER IF EXISTS "{table}_{suffix}" ON "{table}"')

    def describe(self) -> str:
        return "Audit " + self.model

    def _sql(self, model: type[models.Model]) -> list[str]:
        meta = model._meta
        table = meta.db_table
        is_tenant = any(field.name == "operator" for field in meta.fields)
        arguments = ", ".join(
            f"'{text}'"
            for text in (
                str(meta.verbose_name),
                "operator_id" if is_tenant else "id",
                _array(column for column in _key_columns(model) if column != "operator_id"),
                _columns(model, [self.label])[0] if self.label else "",
                _array(_columns(model, self.values)),
                _array(_columns(model, self.ignored)),
            )
        )
        end = f"DEFERRABLE INITIALLY DEFERRED FOR EACH ROW %s EXECUTE FUNCTION public.accounts_note_row({arguments})"
        triggers = []
        wholly = " OR ".join(event for event in self.on if event != "UPDATE")
        if wholly:
            triggers.append((f"{table}_audited", wholly, ""))
        if "UPDATE" in self.on:
            # Asked at once, so that what changes nothing is not kept until the end.
            triggers.append((f"{table}_audited_change", "UPDATE", "WHEN (OLD.* IS DISTINCT FROM NEW.*)"))
        statements = []
        for name, events, condition in triggers:
            statements += [
                f'CREATE CONSTRAINT TRIGGER "{name}" AFTER {events} ON "{table}" {end % condition}',
                # Also where a session says that it replicates.
                f'ALTER TABLE "{table}" ENABLE ALWAYS TRIGGER "{name}"',
            ]
        return statements


def _key_columns(model: type[models.Model]) -> list[str]:
    key = model._meta.pk
    if isinstance(key, models.CompositePrimaryKey):
        return _columns(model, key.field_names)
    return _columns(model, [key.name])


def _columns(model: type[models.Model], names: Iterable[str]) -> list[str]:
    fields: dict[str, Any] = {field.name: field for field in model._meta.concrete_fields}
    # A composite key names its columns.
    by_column = {field.attname: field for field in fields.values()}
    return [(fields.get(name) or by_column[name]).column for name in names]


def _array(columns: Iterable[str]) -> str:
    return "{" + ",".join(columns) + "}"
