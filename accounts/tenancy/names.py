"""The roles, the setting that the policies read, and the tables that carry no operator."""

from __future__ import annotations

SETTING = "wickround.operator_id"
OWNER_ROLE = "wickround_owner"
APP_ROLE = "wickround_app"
SYSTEM_ROLE = "wickround_system"

# The sub-select makes the setting an InitPlan: read once a statement, and usable as an index condition.
SCOPE_SQL = f"(SELECT nullif(current_setting('{SETTING}', true), ''))::uuid"

# Tables that carry no operator, and why. ``manage.py audit_isolation`` refuses any other table without isolation.
GLOBAL_TABLES: dict[str, str] = {
    "accounts_heartbeat": "when parts of the service last did their work; nobody's data",
    "accounts_knowndevice": "a person's browsers, asked before the operator is known; digests only",
    "accounts_recoverycode": "a person's, asked before the operator is known; digests only",
    "accounts_resetasked": "who forgot a password is not signed in yet; sealed, and gone within minutes",
    "accounts_secondfactor": "a person's, asked before the operator is known; sealed",
    "accounts_signin": "sessions, read before the operator is known; digests only",
    "accounts_tally": "how often somebody tried to sign in; keyed hashes only",
    "accounts_user": "a person may belong to several operators; memberships are tenant rows",
    "auth_group": "Django's, unused and empty",
    "auth_group_permissions": "Django's, unused and empty",
    "auth_permission": "Django's, describes models only",
    "django_content_type": "Django's, describes models only",
    "django_migrations": "Django's, describes the schema only",
    "django_session": "Django's, unused and empty: sessions are rows of accounts_signin",
    "demo_tenant_world": "one row that says which invented world a trial database holds",
    "oauth2_provider_accesstoken": "OAuth's, unused: tokens are rows of their operator",
    "oauth2_provider_devicegrant": "OAuth's, unused: client credentials only",
    "oauth2_provider_grant": "OAuth's, unused: client credentials only",
    "oauth2_provider_idtoken": "OAuth's, unused: client credentials only",
    "oauth2_provider_refreshtoken": "OAuth's, unused: client credentials only",
    "servicing_projectionversion": "which making of the derived tables is live; the tables hold every operator's rows",
}
