"""What isolation needs: lists kept by hand, each line a decision, and what the models say."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.apps import apps

from accounts.tenancy import (
    SETTING,
    OperatorScoped,
    TenantForeignKey,
)

MIGRATE_ROLE = "wickround_migrate"
OPERATOR_TABLE = "accounts_operator"

# As PostgreSQL prints the condition of ``tenancy.isolation_sql`` back; {} is the column.
APP_CONDITION = (
    f"({{}} = (( SELECT NULLIF(current_setting('{SETTING}'::text, true), ''::text) AS \"nullif\"))::uuid)"
)

# What the system role may do, and nothing else: sweep and relay look across operators at who there is and what is owed.
SYSTEM_GRANTS: dict[str, set[str]] = {
    "accounts_heartbeat": {"SELECT", "INSERT", "UPDATE", "DELETE"},
    "accounts_job": {"SELECT", "INSERT", "UPDATE", "DELETE"},
    OPERATOR_TABLE: {"SELECT"},
    "django_migrations": {"SELECT"},
}

# Isolated tables of which every row may be read, and none changed, while no operator's scope is open, and why.
READABLE_BEFORE_SCOPE = {
    "accounts_machineclient": "who asks for a token is looked for before the operator is known",
}
BEFORE_SCOPE_CONDITION = f"({{0}} OR ((( SELECT NULLIF(current_setting('{SETTING}'::text, true), ''::text) AS \"nullif\"))::uuid IS NULL))"

# Tables of the OAuth library that point at a client without its operator: unused and empty.
UNUSED_REFERRERS = {
    "oauth2_provider_accesstoken",
    "oauth2_provider_grant",
    "oauth2_provider_idtoken",
    "oauth2_provider_refreshtoken",
}

# The unique keys of tenant tables that do not lead with the operator, and why.
KEYS_ACROSS_OPERATORS: dict[tuple[str, tuple[str, ...]], str] = {
    (OPERATOR_TABLE, ("id",)): "the operator's own row",
    (OPERATOR_TABLE, ("slug",)): "an operator's address is public and one of its kind",
    ("accounts_accesstoken", ("digest",)): "asked before the operator is known; nobody can choose a digest",
    ("accounts_clientsecret", ("digest",)): "asked before the operator is known; nobody can choose a digest",
    ("accounts_clienttoken", ("digest",)): "asked before the operator is known; nobody can choose a digest",
    ("accounts_machineclient", ("client_id",)): "asked before the operator is known; drawn at random here",
    ("accounts_machineclient", ("id",)): "the library's own key: drawn here, and shown to nobody",
    ("accounts_machineclient", ("uuid",)): "made by the server, at random",
    ("servicing_recordlink", ("digest",)): "asked before the operator is known; nobody can choose a digest",
}

# Tables to which rows are only added. The log grants INSERT by column, without those that the database fills.
LOG_TABLE = "servicing_event"
LOG_FILLED_BY_DATABASE = {"position", "recorded_at"}
APPEND_ONLY = {
    LOG_TABLE,
    "servicing_seal",
    "accounts_auditentry",
    "accounts_clientchange",
    "servicing_entryshowing",
    "billing_allocation",
    "billing_bankstatement",
    "billing_charge",
    "billing_closeinputs",
    "billing_contractrenewal",
    "billing_document",
    "billing_documentline",
    "billing_eventdisposition",
    "billing_indexfigure",
    "billing_journalentry",
    "billing_journalline",
    "billing_payment",
    "billing_periodclose",
    "billing_preview",
    "billing_refund",
    "billing_royaltystatement",
}
# Of these, the ones whose change is refused to the table's owner too: by two triggers that no session can switch off.
GUARDED = {
    LOG_TABLE,
    "servicing_seal",
    "accounts_auditentry",
    "billing_charge",
    "billing_closeinputs",
    "billing_document",
    "billing_documentline",
    "billing_journalentry",
    "billing_journalline",
    "billing_periodclose",
    "billing_royaltystatement",
}


@dataclass
class Audit:
    """How much of each kind was looked at, and every gap as one sentence that names it."""

    counts: dict[str, int] = field(default_factory=dict)
    gaps: list[str] = field(default_factory=list)

    def need(self, holds: object, gap: str) -> None:
        if not holds:
            self.gaps.append(gap)


@dataclass(frozen=True, slots=True)
class Expected:
    """From the models: the tenant tables with the column that names the operator, their references, and the columns by
    which a row of each is named.
    """

    tenant: dict[str, str]
    references: list[tuple[str, str, str, str]]
    identities: dict[str, tuple[str, ...]]


def expected(cursor: Any) -> Expected:
    """From the models; a table that stands in the schemas of a rebuild needs what the one of its name in public needs."""
    live = _expected_live()
    aside = rows_of(
        cursor,
        "SELECT n.nspname::text, c.relname::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
        f"WHERE n.nspname IN ({', '.join(map(repr, ASIDE))}) AND c.relkind IN ('r', 'p') ORDER BY 1, 2",
    )
    copies = [(schema, table) for schema, table in aside if table in live.tenant]
    return Expected(
        live.tenant | {f"{schema}.{table}": live.tenant[table] for schema, table in copies},
        live.references
        + [
            (f"{schema}.{table}", column, target, key)
            for schema, copied in copies
            for table, column, target, key in live.references
            if table == copied
        ],
        live.identities
        | {
            f"{schema}.{table}": live.identities[table]
            for schema, table in copies
            if table in live.identities
        },
    )


def _expected_live() -> Expected:
    tenant = {OPERATOR_TABLE: "id"} | dict.fromkeys(READABLE_BEFORE_SCOPE, "operator_id")
    references = []
    identities: dict[str, tuple[str, ...]] = dict.fromkeys(READABLE_BEFORE_SCOPE, ("operator_id", "id"))
    for model in apps.get_models(include_auto_created=True):
        if not issubclass(model, OperatorScoped):
            continue
        table = model._meta.db_table
        tenant[table] = "operator_id"
        own = [str(field.column) for field in model._meta.pk_fields if field.column != "operator_id"]
        identities[table] = ("operator_id", *own)
        for reference in model._meta.fields:
            if isinstance(reference, TenantForeignKey):
                target = reference.target_field
                references.append((table, reference.column, target.model._meta.db_table, str(target.column)))
    return Expected(tenant, references, identities)


# Where a rebuild keeps tables for a while, and whether the app role may look there: it fills what is building.
ASIDE = {"wickround_building": True, "wickround_retired": False}

# A table's name in what the audit says and compares: with its schema where that is not public.
NAME_OF = "(CASE {1}.nspname WHEN 'public' THEN '' ELSE {1}.nspname || '.' END || {0}.relname)::text"
NAME = NAME_OF.format("c", "n")

# Schemas that are not PostgreSQL's own, as a condition on pg_namespace n.
OURS = "n.nspname <> 'information_schema' AND n.nspname !~ '^pg_'"


def rows_of(cursor: Any, sql: str) -> list[tuple[Any, ...]]:
    cursor.execute(sql)
    return list(cursor.fetchall())
