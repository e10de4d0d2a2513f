"""What the runtime roles may do with each table and function, exactly: a line by hand for each that is not as usual."""

from __future__ import annotations

from dataclasses import dataclass

from accounts.isolation.wanted import APPEND_ONLY, LOG_TABLE, SYSTEM_GRANTS
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SYSTEM_ROLE

USUAL = frozenset({"SELECT", "INSERT", "UPDATE", "DELETE"})

# Rows that others point at, or that show what was: changed, and never removed.
NEVER_REMOVED = {
    "accounts_accesstoken",
    "accounts_clientsecret",
    "accounts_closing",
    "accounts_crew",
    "accounts_device",
    "accounts_job",
    "accounts_machineclient",
    "accounts_member",
    "accounts_operator",
    "accounts_serviceagreement",
    "accounts_servicerules",
    "accounts_site",
    "accounts_supportgrant",
    "accounts_user",
    "billing_bankentry",
    "billing_change",
    "billing_contract",
    "billing_contractsite",
    "billing_contractterms",
    "billing_legalentity",
    "billing_numberseries",
    "billing_priceitem",
    "billing_priceversion",
    "billing_purchaseorder",
    "billing_royaltyterms",
    "billing_sending",
    "billing_sitebilling",
    "billing_taxrate",
    "billing_webhookendpoint",
    "fleet_cartridge",
    "fleet_liquid",
    "fleet_restroom",
    "fleet_station",
    "fleet_unit",
    "fleet_unitmodel",
    "servicing_entrysecret",
    "servicing_personaltext",
    "servicing_personkey",
}
# Rows that are right as they are or go.
NEVER_CHANGED = {
    "accounts_clienttoken",
    "billing_webhookattempt",
    "fleet_safetysheet",
    "servicing_fit",
    "servicing_photo",
}
# What migrations and the owner's own commands fill.
ONLY_READ = {
    "demo_tenant_world",
    "django_content_type",
    "django_migrations",
    "servicing_event",
    "servicing_projectionversion",
}
# Of libraries, and unused here.
UNTOUCHED = {
    "auth_group",
    "auth_group_permissions",
    "auth_permission",
    "django_session",
    "oauth2_provider_accesstoken",
    "oauth2_provider_devicegrant",
    "oauth2_provider_grant",
    "oauth2_provider_idtoken",
    "oauth2_provider_refreshtoken",
}


def expected_privileges(table: str, role: str) -> frozenset[str]:
    """What a role holds on a whole table; a rebuild's copy has what the one of its name in public has."""
    name = table.rpartition(".")[2]
    if role == SYSTEM_ROLE:
        return frozenset(SYSTEM_GRANTS.get(name, ()))
    if role != APP_ROLE or name in UNTOUCHED:
        return frozenset()
    if name == LOG_TABLE or name in ONLY_READ:
        return frozenset({"SELECT"})
    for tables, lacking in (
        (APPEND_ONLY, {"UPDATE", "DELETE"}),
        (NEVER_REMOVED, {"DELETE"}),
        (NEVER_CHANGED, {"UPDATE"}),
    ):
        if name in tables:
            return USUAL - lacking
    return USUAL


@dataclass(frozen=True, slots=True)
class Function:
    """``source``: the first digits of the SHA-256 of what was reviewed; a migration that changes it changes them here."""

    source: str
    may_run: frozenset[str]
    runs_as_owner: bool = False


_OURS, _APPS = frozenset({OWNER_ROLE}), frozenset({OWNER_ROLE, APP_ROLE})
# A function of a trigger can't be called, so that PUBLIC, PostgreSQL's default, may stay.
_ANYBODYS = frozenset({OWNER_ROLE, "PUBLIC"})

# Every function of the schema. Those that run as their owner look past the policies, so their text decides who sees what.
FUNCTIONS: dict[str, Function] = {
    "accounts_chain_entry": Function("d2d40f7548e9", _APPS),
    "accounts_client_secrets": Function("3aaf6713b732", _APPS, runs_as_owner=True),
    "accounts_client_token_binding": Function("0e7cb9bdf317", _APPS, runs_as_owner=True),
    "accounts_memberships": Function("e97b8fe8ee97", _APPS, runs_as_owner=True),
    "accounts_note_row": Function("24935af7f1d6", _APPS),
    "accounts_refuse_audit_change": Function("8db3ab9371a4", _OURS),
    "accounts_support_grants": Function("1c4e75f87d27", _APPS, runs_as_owner=True),
    "accounts_token_binding": Function("2ad33f8e11ae", _APPS, runs_as_owner=True),
    "billing_note_change": Function("19e41affd3a7", _APPS),
    "billing_note_row": Function("cb9c56d615e8", _APPS),
    "billing_refuse_change": Function("5e4aa2671c04", _ANYBODYS),
    "servicing_append": Function("95beaf0e5482", _APPS),
    "servicing_record_link": Function("a0eacf568bd4", _APPS, runs_as_owner=True),
    "servicing_refuse_change": Function("b1e637332495", _ANYBODYS),
    "servicing_refuse_seal_change": Function("cf441fbba11f", _ANYBODYS),
}

# What may stand in the database beside it; an extension that reaches other servers or files would pass every policy.
EXTENSIONS = {"btree_gist", "plpgsql"}
