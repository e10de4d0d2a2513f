import django.db.models.deletion
from django.db import migrations, models

import accounts.ids
import accounts.tenancy


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0011_audit"),
    ]

    operations = [
        migrations.CreateModel(
            name="Heartbeat",
            fields=[
                ("name", models.CharField(max_length=120, primary_key=True, serialize=False)),
                ("at", models.DateTimeField()),
                ("figures", models.JSONField(default=dict)),
            ],
        ),
        migrations.CreateModel(
            name="LongWork",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("kind", models.CharField(max_length=80)),
                ("ref", models.CharField(max_length=200)),
                ("asked", models.JSONField(default=dict)),
                ("asked_by_program", models.UUIDField(null=True)),
                ("asked_name", models.CharField(blank=True, max_length=200)),
                ("asked_at", models.DateTimeField()),
                ("begun_at", models.DateTimeField(null=True)),
                ("phase", models.CharField(blank=True, max_length=40)),
                ("done", models.PositiveIntegerField(default=0)),
                ("of", models.PositiveIntegerField(default=0)),
                ("chunks", models.PositiveIntegerField(default=0)),
                ("cursor", models.JSONField(default=dict)),
                ("result", models.JSONField(default=dict)),
                ("job_id", models.UUIDField(null=True)),
                ("cancel_asked_at", models.DateTimeField(null=True)),
                ("ended_at", models.DateTimeField(null=True)),
                (
                    "outcome",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("done", "done"),
                            ("refused", "refused"),
                            ("cancelled", "cancelled"),
                            ("failed", "failed"),
                        ],
                        max_length=12,
                    ),
                ),
                ("said", models.TextField(blank=True)),
            ],
        ),
        migrations.CreateModel(
            name="WorkFile",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("number", models.PositiveIntegerField()),
                ("name", models.CharField(blank=True, max_length=200)),
                ("content", models.BinaryField()),
            ],
        ),
        migrations.RemoveIndex(
            model_name="job",
            name="accounts_job_due",
        ),
        migrations.AddField(
            model_name="job",
            name="begun_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="job",
            name="given_up_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddField(
            model_name="job",
            name="given_up_by",
            field=models.CharField(blank=True, db_default="", default="", max_length=200),
        ),
        migrations.AddField(
            model_name="job",
            name="quarantined_at",
            field=models.DateTimeField(null=True),
        ),
        migrations.AddIndex(
            model_name="job",
            index=models.Index(
                condition=models.Q(("done_at", None), ("given_up_at", None), ("quarantined_at", None)),
                fields=["operator", "kind", "run_at", "id"],
                name="accounts_job_due",
            ),
        ),
        migrations.AddIndex(
            model_name="job",
            index=models.Index(
                condition=models.Q(("done_at", None), ("lease_until__isnull", False)),
                fields=["lease_until"],
                name="accounts_job_leased",
            ),
        ),
        migrations.AddIndex(
            model_name="job",
            index=models.Index(
                condition=models.Q(("given_up_at", None), ("quarantined_at__isnull", False)),
                fields=["operator", "quarantined_at"],
                name="accounts_job_quarantined",
            ),
        ),
        migrations.AddField(
            model_name="longwork",
            name="asked_by",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.member",
            ),
        ),
        migrations.AddField(
            model_name="longwork",
            name="operator",
            field=models.ForeignKey(
                db_index=False,
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="workfile",
            name="operator",
            field=models.ForeignKey(
                db_index=False,
                default=accounts.tenancy.scope_operator_id,
                editable=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.operator",
            ),
        ),
        migrations.AddField(
            model_name="workfile",
            name="work",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.longwork",
            ),
        ),
        migrations.AddIndex(
            model_name="longwork",
            index=models.Index(fields=["operator", "-asked_at", "-id"], name="accounts_longwork_newest"),
        ),
        migrations.AddConstraint(
            model_name="longwork",
            constraint=models.UniqueConstraint(
                condition=models.Q(("ended_at", None)),
                fields=("operator", "kind", "ref"),
                name="accounts_longwork_one",
            ),
        ),
        migrations.AddConstraint(
            model_name="longwork",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("ended_at", None), ("outcome", "")),
                    models.Q(("ended_at__isnull", False), models.Q(("outcome", ""), _negated=True)),
                    _connector="OR",
                ),
                name="accounts_longwork_ended",
            ),
        ),
        migrations.AddConstraint(
            model_name="workfile",
            constraint=models.UniqueConstraint(
                fields=("operator", "work", "number"), name="accounts_workfile_number"
            ),
        ),
        accounts.tenancy.Grant(
            ["accounts_heartbeat"],
            app="SELECT, INSERT, UPDATE, DELETE",
            system="SELECT, INSERT, UPDATE, DELETE",
        ),
        accounts.tenancy.Isolate("LongWork", "WorkFile"),
        accounts.tenancy.Audited(
            "LongWork",
            label="ref",
            values=["kind", "ref", "asked_by", "asked_by_program", "cancel_asked_at", "outcome"],
            # How far it is tells nothing that its end does not.
            ignored=["begun_at", "phase", "done", "of", "chunks", "cursor", "result", "job_id"],
        ),
    ]
