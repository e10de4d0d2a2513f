import django.db.models.deletion
from django.db import migrations, models

import accounts.ids
import accounts.tenancy


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0012_work"),
        ("fleet", "0004_audit"),
        ("servicing", "0010_audit"),
    ]

    operations = [
        migrations.CreateModel(
            name="Notice",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "kind",
                    models.CharField(choices=[("digest", "digest"), ("urgent", "urgent")], max_length=8),
                ),
                ("zone", models.CharField(blank=True, max_length=64)),
                ("slot", models.CharField(max_length=60)),
                ("turn", models.BigIntegerField(default=0)),
                ("count", models.PositiveIntegerField(default=0)),
                ("subject", models.CharField(blank=True, max_length=200)),
                ("body", models.TextField(blank=True)),
                ("owed_at", models.DateTimeField()),
                (
                    "outcome",
                    models.CharField(
                        blank=True,
                        choices=[("sent", "sent"), ("nothing", "nothing"), ("failed", "failed")],
                        max_length=8,
                    ),
                ),
                ("settled_at", models.DateTimeField(null=True)),
                ("failure", models.CharField(blank=True, max_length=300)),
            ],
        ),
        migrations.CreateModel(
            name="NoticeWish",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("is_daily", models.BooleanField(default=True)),
                ("only_news", models.BooleanField(default=True)),
                ("kinds", models.JSONField(default=list)),
                ("hour", models.PositiveSmallIntegerField(default=6)),
                ("urgent", models.JSONField(default=list)),
                ("quiet_from", models.TimeField(blank=True, null=True)),
                ("quiet_until", models.TimeField(blank=True, null=True)),
                ("urgent_turn", models.BigIntegerField(default=0)),
                ("changed_at", models.DateTimeField()),
            ],
        ),
        migrations.AddField(
            model_name="alert",
            name="opened_turn",
            field=models.BigIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name="alert",
            name="turn",
            field=models.BigIntegerField(db_default=0, default=0),
        ),
        migrations.AddIndex(
            model_name="alert",
            index=models.Index(fields=["operator", "turn"], name="servicing_alert_turn"),
        ),
        migrations.AddField(
            model_name="notice",
            name="member",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.member",
            ),
        ),
        migrations.AddField(
            model_name="notice",
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
            model_name="noticewish",
            name="crew",
            field=accounts.tenancy.TenantForeignKey(
                blank=True,
                db_constraint=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.crew",
            ),
        ),
        migrations.AddField(
            model_name="noticewish",
            name="member",
            field=accounts.tenancy.TenantForeignKey(
                db_constraint=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="accounts.member",
            ),
        ),
        migrations.AddField(
            model_name="noticewish",
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
        migrations.AddIndex(
            model_name="notice",
            index=models.Index(fields=["operator", "member", "-owed_at"], name="servicing_notice_member"),
        ),
        migrations.AddIndex(
            model_name="notice",
            index=models.Index(fields=["operator", "owed_at"], name="servicing_notice_old"),
        ),
        migrations.AddConstraint(
            model_name="notice",
            constraint=models.UniqueConstraint(
                fields=("operator", "member", "kind", "zone", "slot"), name="servicing_notice_key"
            ),
        ),
        migrations.AddConstraint(
            model_name="notice",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("outcome", ""), ("settled_at", None)),
                    models.Q(models.Q(("outcome", ""), _negated=True), ("settled_at__isnull", False)),
                    _connector="OR",
                ),
                name="servicing_notice_settled",
            ),
        ),
        migrations.AddConstraint(
            model_name="noticewish",
            constraint=models.UniqueConstraint(
                fields=("operator", "member"), name="servicing_noticewish_member"
            ),
        ),
        migrations.AddConstraint(
            model_name="noticewish",
            constraint=models.CheckConstraint(
                condition=models.Q(("hour__lte", 23)), name="servicing_noticewish_hour"
            ),
        ),
        migrations.AddConstraint(
            model_name="noticewish",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("quiet_from", None), ("quiet_until", None)),
                    models.Q(("quiet_from__isnull", False), ("quiet_until__isnull", False)),
                    _connector="OR",
                ),
                name="servicing_noticewish_quiet",
            ),
        ),
        accounts.tenancy.Isolate("NoticeWish", app="SELECT, INSERT, UPDATE, DELETE"),
        accounts.tenancy.Isolate("Notice", app="SELECT, INSERT, UPDATE, DELETE"),
        accounts.tenancy.Audited(
            "NoticeWish",
            values=[
                "member",
                "is_daily",
                "only_news",
                "kinds",
                "hour",
                "urgent",
                "quiet_from",
                "quiet_until",
                "crew",
            ],
            ignored=["urgent_turn", "changed_at"],
        ),
    ]
