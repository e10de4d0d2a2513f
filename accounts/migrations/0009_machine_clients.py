"""Programs sign in by OAuth 2.0: their clients, secrets and tokens. The bearer tokens that some had until now end."""

import django.contrib.postgres.fields
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import accounts.ids
import accounts.tenancy
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SCOPE_SQL

# A client is looked for before its operator is known; inside a scope only that operator's are there, and only they change.
CLIENTS_SQL = f"""
ALTER TABLE accounts_machineclient ENABLE ROW LEVEL SECURITY;
ALTER TABLE accounts_machineclient FORCE ROW LEVEL SECURITY;
CREATE POLICY app ON accounts_machineclient TO {APP_ROLE}
    USING (operator_id = {SCOPE_SQL} OR {SCOPE_SQL} IS NULL) WITH CHECK (operator_id = {SCOPE_SQL});
CREATE POLICY owner ON accounts_machineclient TO {OWNER_ROLE} USING (true) WITH CHECK (true);
GRANT SELECT, INSERT, UPDATE ON accounts_machineclient TO {APP_ROLE};
"""

# Two more questions from before the operator is known: what a client may prove itself with, and what a token stands for.
BEFORE_SCOPE_SQL = f"""
CREATE FUNCTION accounts_client_secrets(public_id text)
RETURNS TABLE (operator_id uuid, client_id bigint, revoked_at timestamptz,
               secret_id uuid, digest bytea, ends_at timestamptz, last_used_at timestamptz)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT c.operator_id, c.id, c.revoked_at, s.id, s.digest, s.ends_at, s.last_used_at
    FROM public.accounts_machineclient c
    JOIN public.accounts_clientsecret s ON s.operator_id = c.operator_id AND s.client_id = c.id
    WHERE c.client_id = public_id
$$;
CREATE FUNCTION accounts_client_token_binding(token_digest bytea)
RETURNS TABLE (operator_id uuid, client_id bigint, client_uuid uuid, name text, client_scopes text[], scopes text[],
               expires_at timestamptz, ended_at timestamptz, last_used_at timestamptz)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT t.operator_id, c.id, c.uuid, c.name, c.scopes, t.scopes, t.expires_at,
           least(c.revoked_at, s.ends_at), c.last_used_at
    FROM public.accounts_clienttoken t
    JOIN public.accounts_machineclient c ON c.operator_id = t.operator_id AND c.id = t.client_id
    JOIN public.accounts_clientsecret s ON s.operator_id = t.operator_id AND s.id = t.secret_id
    WHERE t.digest = token_digest
$$;
REVOKE ALL ON FUNCTION accounts_client_secrets(text), accounts_client_token_binding(bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION accounts_client_secrets(text), accounts_client_token_binding(bytea) TO {APP_ROLE};
"""


def id_field() -> models.UUIDField:
    return models.UUIDField(default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False)


def operator_field() -> models.ForeignKey:
    return models.ForeignKey(
        db_index=False,
        default=accounts.tenancy.scope_operator_id,
        editable=False,
        on_delete=django.db.models.deletion.PROTECT,
        related_name="+",
        to="accounts.operator",
    )


def reference(to: str) -> accounts.tenancy.TenantForeignKey:
    return accounts.tenancy.TenantForeignKey(
        db_constraint=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to=to
    )


def words() -> django.contrib.postgres.fields.ArrayField:
    return django.contrib.postgres.fields.ArrayField(
        base_field=models.CharField(max_length=40), default=list, size=None
    )


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0008_accounting"),
    ]

    operations = [
        migrations.RunSQL("DELETE FROM accounts_accesstoken WHERE device_id IS NULL", migrations.RunSQL.noop),
        migrations.AlterField(model_name="accesstoken", name="device", field=reference("accounts.device")),
        migrations.AddField(
            model_name="machineclient",
            name="uuid",
            field=models.UUIDField(default=accounts.ids.uuid7, editable=False, unique=True),
        ),
        migrations.AddField(model_name="machineclient", name="scopes", field=words()),
        migrations.AddField(
            model_name="machineclient",
            name="made_at",
            field=models.DateTimeField(default=django.utils.timezone.now),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="machineclient",
            name="made_by",
            field=models.CharField(default="", max_length=120),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="machineclient", name="revoked_at", field=models.DateTimeField(null=True)
        ),
        migrations.AddField(
            model_name="machineclient", name="last_used_at", field=models.DateTimeField(null=True)
        ),
        migrations.AddConstraint(
            model_name="machineclient",
            constraint=models.CheckConstraint(
                condition=models.Q(("client_secret", "!"), ("hash_client_secret", False)),
                name="accounts_machineclient_no_secret",
            ),
        ),
        migrations.AddConstraint(
            model_name="machineclient",
            constraint=models.UniqueConstraint(
                condition=models.Q(("revoked_at", None)),
                fields=("operator", "name"),
                name="accounts_machineclient_name",
            ),
        ),
        migrations.AddConstraint(
            model_name="machineclient",
            constraint=models.UniqueConstraint(
                fields=("operator", "id"), name="accounts_machineclient_operator_id"
            ),
        ),
        migrations.CreateModel(
            name="ClientSecret",
            fields=[
                ("id", id_field()),
                ("digest", models.BinaryField(max_length=32, unique=True)),
                ("hint", models.CharField(max_length=4)),
                ("made_at", models.DateTimeField()),
                ("made_by", models.CharField(max_length=120)),
                ("ends_at", models.DateTimeField(null=True)),
                ("last_used_at", models.DateTimeField(null=True)),
                ("client", reference(settings.OAUTH2_PROVIDER_APPLICATION_MODEL)),
                ("operator", operator_field()),
            ],
            options={
                "indexes": [
                    models.Index(
                        fields=["operator", "client", "-made_at"], name="accounts_clientsecret_client"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("ends_at", None), ("ends_at__gte", models.F("made_at")), _connector="OR"
                        ),
                        name="accounts_clientsecret_ends",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ClientToken",
            fields=[
                ("id", id_field()),
                ("digest", models.BinaryField(max_length=32, unique=True)),
                ("scopes", words()),
                ("made_at", models.DateTimeField()),
                ("expires_at", models.DateTimeField()),
                ("client", reference(settings.OAUTH2_PROVIDER_APPLICATION_MODEL)),
                ("operator", operator_field()),
                ("secret", reference("accounts.clientsecret")),
            ],
            options={
                "indexes": [
                    models.Index(fields=["operator", "client", "expires_at"], name="accounts_clienttoken_old")
                ],
            },
        ),
        migrations.CreateModel(
            name="ClientChange",
            fields=[
                ("id", id_field()),
                ("number", models.PositiveIntegerField()),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=120)),
                ("by_id", models.UUIDField(null=True)),
                (
                    "what",
                    models.CharField(
                        choices=[
                            ("made", "made"),
                            ("changed", "changed"),
                            ("secret_made", "secret made"),
                            ("secret_ends", "secret ends"),
                            ("secret_ended", "secret ended"),
                            ("revoked", "revoked"),
                        ],
                        max_length=20,
                    ),
                ),
                ("about", models.JSONField(default=dict)),
                ("client", reference(settings.OAUTH2_PROVIDER_APPLICATION_MODEL)),
                ("operator", operator_field()),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("operator", "client", "number"), name="accounts_clientchange_number"
                    )
                ],
            },
        ),
        accounts.tenancy.Isolate("ClientSecret", app="SELECT, INSERT, UPDATE"),
        accounts.tenancy.Isolate("ClientToken", app="SELECT, INSERT, DELETE"),
        accounts.tenancy.Isolate("ClientChange", app="SELECT, INSERT"),
        migrations.RunSQL(CLIENTS_SQL, migrations.RunSQL.noop),
        migrations.RunSQL(BEFORE_SCOPE_SQL, migrations.RunSQL.noop),
    ]
