import django.db.models.deletion
from django.db import migrations, models

import accounts.tenancy

# Who acts is said by the transaction's own setting, and filled in here, so that no way of adding an entry says otherwise.
# The lock is the one under which changes of the books get their positions: an operator has one for the end of a transaction,
# and nobody waits for a second with the first in hand.
AUDIT_SQL = """
CREATE FUNCTION public.accounts_chain_entry() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    acting jsonb := nullif(current_setting('wickround.acting', true), '')::jsonb;
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended('changes/' || NEW.operator_id::text, 0));
    SELECT e.number + 1, e.hash INTO NEW.number, NEW.previous_hash FROM public.accounts_auditentry e
    WHERE e.operator_id = NEW.operator_id ORDER BY e.number DESC LIMIT 1;
    NEW.number := coalesce(NEW.number, 1);
    NEW.previous_hash := coalesce(NEW.previous_hash, decode(repeat('00', 32), 'hex'));
    NEW.at := coalesce((acting ->> 'at')::timestamptz, clock_timestamp());
    NEW.actor_kind := coalesce(acting ->> 'kind', 'database');
    NEW.actor_id := (acting ->> 'id')::uuid;
    NEW.actor_name := left(coalesce(acting ->> 'name', session_user::text), 200);
    NEW.address := left(coalesce(acting ->> 'address', ''), 45);
    NEW.request_id := (acting ->> 'request_id')::uuid;
    NEW.door := left(coalesce(acting ->> 'door', ''), 200);
    NEW.said := jsonb_build_object(
        'operator', NEW.operator_id, 'number', NEW.number,
        'at', to_char(NEW.at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'),
        'actor_kind', NEW.actor_kind, 'actor_id', NEW.actor_id, 'actor_name', NEW.actor_name, 'address', NEW.address,
        'request_id', NEW.request_id, 'door', NEW.door, 'action', NEW.action, 'kind', NEW.kind, 'row_id', NEW.row_id,
        'about', NEW.about
    )::text;
    NEW.hash := sha256(NEW.previous_hash || convert_to(NEW.said, 'UTF8'));
    RETURN NEW;
END $$;

CREATE TRIGGER accounts_auditentry_chain BEFORE INSERT ON public.accounts_auditentry
    FOR EACH ROW EXECUTE FUNCTION public.accounts_chain_entry();
ALTER TABLE public.accounts_auditentry ENABLE ALWAYS TRIGGER accounts_auditentry_chain;

CREATE FUNCTION public.accounts_refuse_audit_change() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    RAISE EXCEPTION 'The audit is append only.' USING ERRCODE = 'insufficient_privilege';
END $$;
CREATE TRIGGER accounts_auditentry_no_change BEFORE UPDATE OR DELETE ON public.accounts_auditentry
    FOR EACH STATEMENT EXECUTE FUNCTION public.accounts_refuse_audit_change();
CREATE TRIGGER accounts_auditentry_no_truncate BEFORE TRUNCATE ON public.accounts_auditentry
    FOR EACH STATEMENT EXECUTE FUNCTION public.accounts_refuse_audit_change();
ALTER TABLE public.accounts_auditentry ENABLE ALWAYS TRIGGER accounts_auditentry_no_change;
ALTER TABLE public.accounts_auditentry ENABLE ALWAYS TRIGGER accounts_auditentry_no_truncate;

-- Arguments: the row's plain word, the column of its operator, the columns of its key, the column with its code or number,
-- the columns whose values may be told, and those whose change alone tells nothing.
CREATE FUNCTION public.accounts_note_row() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    scope text := current_setting('wickround.operator_id', true);
    keys text[] := TG_ARGV[2]::text[];
    tellable text[] := TG_ARGV[4]::text[];
    owner text;
    was jsonb;
    fresh jsonb;
    either jsonb;
    changed text[];
    about jsonb := '{}';
BEGIN
    IF TG_OP <> 'INSERT' THEN
        was := to_jsonb(OLD);
        either := was;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        fresh := to_jsonb(NEW);
        either := fresh;
    END IF;
    owner := either ->> TG_ARGV[1];
    IF TG_OP = 'UPDATE' THEN
        SELECT array_agg(f.key ORDER BY f.key) INTO changed FROM jsonb_each(fresh) f
        WHERE f.value IS DISTINCT FROM was -> f.key AND f.key <> ALL (TG_ARGV[5]::text[]);
        IF changed IS NULL THEN
            RETURN NULL;
        END IF;
        -- What the row is of stands beside what changed of it.
        about := jsonb_build_object('changed', to_jsonb(changed)) || coalesce((
            SELECT jsonb_build_object('of', jsonb_object_agg(f.key, f.value)) FROM jsonb_each(fresh) f
            WHERE f.key = ANY (tellable) AND f.key <> ALL (changed) AND right(f.key, 3) = '_id' AND f.value <> 'null'
            HAVING count(*) > 0
        ), '{}');
    END IF;
    IF TG_ARGV[3] <> '' THEN
        about := about || jsonb_build_object('label', either -> TG_ARGV[3]);
    END IF;
    IF was IS NOT NULL AND tellable <> '{}' THEN
        about := about || coalesce((
            SELECT jsonb_build_object('from', jsonb_object_agg(w.key, w.value)) FROM jsonb_each(was) w
            WHERE w.key = ANY (tellable) AND (changed IS NULL OR w.key = ANY (changed)) HAVING count(*) > 0
        ), '{}');
    END IF;
    IF fresh IS NOT NULL AND tellable <> '{}' THEN
        about := about || coalesce((
            SELECT jsonb_build_object('to', jsonb_object_agg(f.key, f.value)) FROM jsonb_each(fresh) f
            WHERE f.key = ANY (tellable) AND (changed IS NULL OR f.key = ANY (changed)) HAVING count(*) > 0
        ), '{}');
    END IF;
    IF scope IS DISTINCT FROM owner THEN
        PERFORM set_config('wickround.operator_id', owner, true);
    END IF;
    INSERT INTO public.accounts_auditentry (operator_id, action, kind, row_id, about) VALUES (
        owner::uuid,
        CASE TG_OP WHEN 'INSERT' THEN 'added' WHEN 'UPDATE' THEN 'changed' ELSE 'removed' END,
        TG_ARGV[0],
        either ->> keys[1] || coalesce('/' || (either ->> keys[2]), ''),
        about
    );
    IF scope IS DISTINCT FROM owner THEN
        PERFORM set_config('wickround.operator_id', coalesce(scope, ''), true);
    END IF;
    RETURN NULL;
END $$;

REVOKE ALL ON FUNCTION public.accounts_chain_entry(), public.accounts_note_row(), public.accounts_refuse_audit_change()
    FROM PUBLIC;
GRANT EXECUTE ON FUNCTION public.accounts_chain_entry(), public.accounts_note_row() TO wickround_app;
"""
UNAUDIT_SQL = """
DROP FUNCTION public.accounts_note_row() CASCADE;
DROP FUNCTION public.accounts_chain_entry() CASCADE;
DROP FUNCTION public.accounts_refuse_audit_change() CASCADE;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0010_security"),
    ]

    operations = [
        migrations.CreateModel(
            name="AuditEntry",
            fields=[
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "operator_id",
                        "number",
                        blank=True,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "operator",
                    models.ForeignKey(
                        db_index=False,
                        default=accounts.tenancy.scope_operator_id,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.operator",
                    ),
                ),
                ("number", models.BigIntegerField()),
                ("at", models.DateTimeField()),
                ("actor_kind", models.CharField(max_length=10)),
                ("actor_id", models.UUIDField(null=True)),
                ("actor_name", models.CharField(max_length=200)),
                ("address", models.CharField(max_length=45)),
                ("request_id", models.UUIDField(null=True)),
                ("door", models.CharField(max_length=200)),
                ("action", models.CharField(max_length=40)),
                ("kind", models.CharField(max_length=40)),
                ("row_id", models.CharField(max_length=200)),
                ("about", models.JSONField(default=dict)),
                ("said", models.TextField()),
                ("previous_hash", models.BinaryField(max_length=32)),
                ("hash", models.BinaryField(max_length=32)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["operator", "actor_id", "number"], name="accounts_auditentry_who"),
                    models.Index(fields=["operator", "kind", "number"], name="accounts_auditentry_what"),
                    models.Index(fields=["operator", "at", "number"], name="accounts_auditentry_when"),
                ],
            },
        ),
        accounts.tenancy.Isolate("AuditEntry", app="SELECT, INSERT"),
        migrations.RunSQL(AUDIT_SQL, UNAUDIT_SQL),
        accounts.tenancy.Audited(
            "Operator", label="slug", values=["slug", "currency", "minor_units", "zone", "locale", "measures"]
        ),
        accounts.tenancy.Audited("Crew", values=["is_active"]),
        accounts.tenancy.Audited("Member", values=["role", "crew", "is_active", "locale", "invited_at"]),
        accounts.tenancy.Audited("Device", values=["kind", "crew", "registered_at", "revoked_at"]),
        accounts.tenancy.Audited("AccessToken", values=["device", "role", "expires_at", "revoked_at"]),
        accounts.tenancy.Audited("Customer", label="code", values=["code", "country"]),
        accounts.tenancy.Audited(
            "Site",
            label="code",
            values=["customer", "code", "kind", "zone", "crew", "hardness_mg_per_l", "dust"],
        ),
        accounts.tenancy.Audited("SiteContact", values=["site", "wants_announcements"]),
        accounts.tenancy.Audited(
            "ServiceAgreement",
            label="number",
            values=[
                "site",
                "number",
                "interval_months",
                "grace_before_days",
                "grace_after_days",
                "anchor_on",
                "starts_on",
                "ends_on",
            ],
        ),
        accounts.tenancy.Audited(
            "ServiceRules",
            label="effective_from",
            values=[
                "effective_from",
                "long_past_days",
                "dry_soon_days",
                "wick_watch_days",
                "wick_limit_days",
                "dry_target",
                "false_alarms_per_1000",
                "wick_change_cost",
                "wick_failure_cost",
                "wick_down_day_cost",
                "wick_wash_cost",
            ],
        ),
        accounts.tenancy.Audited(
            "MachineClient",
            values=["scopes", "revoked_at"],
            # "updated" is the library's; it stands for no change by itself.
            ignored=["last_used_at", "updated"],
        ),
        accounts.tenancy.Audited("ClientSecret", values=["client", "ends_at"], ignored=["last_used_at"]),
        accounts.tenancy.Audited("SupportGrant", values=["user", "granted_by", "ends_at", "ended_at"]),
        accounts.tenancy.Audited(
            "Closing", values=["asked_by", "due_on", "withdrawn_at", "exported_at", "export_digest"]
        ),
    ]
