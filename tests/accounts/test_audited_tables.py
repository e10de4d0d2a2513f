"""Every table of an operator tells the audit of its changes, or stands on a list with the reason; and no value that should not."""

from __future__ import annotations

import re

from django.apps import apps
from django.db import models

from accounts.isolation.audit import audit
from accounts.isolation.audited import NOT_AUDITED
from accounts.models import MachineClient, Operator
from accounts.tenancy import OperatorScoped

# Columns of free text whose values may be told all the same: the codes and numbers that people know a thing by, words of a
# catalogue, codes of a standard, and digests of what is public to the operator.
TELLABLE_TEXTS = {
    "basis",
    "code",
    "country",
    "currency",
    "document_sha256",
    "engine",
    "event_type",
    "export_digest",
    "file_sha256",
    "index_code",
    "inputs_sha256",
    "jurisdiction",
    "language",
    "locale",
    "number",
    "revenue_account",
    "account",
    "sha256",
    "slug",
    "system",
    "zone",
}
# Names of things in a catalogue, of tasks, and codes of what they are about, which are nobody's.
CATALOGUE = {
    ("accounts_longwork", "kind"),
    ("accounts_longwork", "ref"),
    ("fleet_liquid", "name"),
    ("fleet_unitmodel", "name"),
}


def told(superuser):
    """Each audited table with what its triggers may tell of it: {table: (columns, ignored)}."""
    rows = superuser.execute(
        "SELECT DISTINCT c.relname, encode(t.tgargs, 'escape') FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "JOIN pg_proc p ON p.oid = t.tgfoid WHERE p.proname = 'accounts_note_row'"
    ).fetchall()
    found = {}
    for table, arguments in rows:
        _, _, _, label, values, ignored = arguments.split("\\000")[:6]
        columns = {label, *values.strip("{}").split(",")} - {""}
        assert found.setdefault(table, (columns, ignored)) == (columns, ignored), (
            "both triggers tell the same"
        )
    return found


def test_each_tenant_table_is_audited_or_on_the_list_with_a_reason(database, superuser):
    tenant = {
        model._meta.db_table
        for model in apps.get_models(include_auto_created=True)
        if issubclass(model, OperatorScoped)
    } | {MachineClient._meta.db_table, Operator._meta.db_table}
    audited = set(told(superuser))

    assert audited.isdisjoint(NOT_AUDITED)
    assert audited | NOT_AUDITED.keys() == tenant
    assert all(len(reason) > 10 for reason in NOT_AUDITED.values())


def test_values_that_are_told_are_no_names_addresses_texts_digests_or_secrets(database, superuser):
    by_table = {model._meta.db_table: model for model in apps.get_models()}
    for table, (columns, _) in told(superuser).items():
        fields = {field.column: field for field in by_table[table]._meta.concrete_fields}
        for column in columns:
            field = fields[column]
            assert not isinstance(field, models.BinaryField | models.TextField | models.EmailField), (
                table,
                column,
            )
            if isinstance(field, models.CharField) and not field.choices:
                assert column in TELLABLE_TEXTS or (table, column) in CATALOGUE, (table, column)
            secret = re.search(r"secret|digest$|token|iban|street|email|phone", column)
            assert not secret or column == "export_digest", (table, column)


def test_the_audit_of_isolation_names_a_table_that_no_longer_tells(superuser):
    for statement, gap in (
        ("DROP TRIGGER accounts_site_audited ON accounts_site", "accounts_site_audited is missing"),
        (
            "ALTER TABLE accounts_site DISABLE TRIGGER accounts_site_audited_change",
            "accounts_site_audited_change does not tell every change",
        ),
        (
            _made_anew(superuser, "accounts_site_audited_change", "AFTER UPDATE ", "AFTER UPDATE OF code "),
            "accounts_site_audited_change does not tell every change",
        ),
        (
            _made_anew(superuser, "accounts_site_audited_change", "'{}')", "'{code,crew_id}')"),
            "accounts_site_audited_change tells otherwise",
        ),
        (
            _made_anew(superuser, "accounts_site_audited", "hardness_mg_per_l,", "name,"),
            "accounts_site_audited tells otherwise",
        ),
        (
            "ALTER TABLE accounts_auditentry DISABLE TRIGGER accounts_auditentry_chain",
            "entries are not chained",
        ),
    ):
        with superuser.transaction(force_rollback=True):
            superuser.execute(statement)
            assert any(gap in found for found in audit(superuser.cursor()).gaps), statement
    assert not [gap for gap in audit(superuser.cursor()).gaps if "audit" in gap]


def _made_anew(superuser, trigger, was, fresh):
    """Statements that make a trigger of the sites' otherwise."""
    text = superuser.execute(
        "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgname = %s", [trigger]
    ).fetchone()[0]
    assert text.count(was) == 1, text
    return (
        f"DROP TRIGGER {trigger} ON accounts_site; {text.replace(was, fresh)}; "
        f"ALTER TABLE accounts_site ENABLE ALWAYS TRIGGER {trigger}"
    )
