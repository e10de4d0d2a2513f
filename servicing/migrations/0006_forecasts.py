import django.db.models.deletion
from django.db import migrations, models

import accounts.ids
import accounts.tenancy


def word(most: int) -> models.CharField:
    return models.CharField(blank=True, db_default="", default="", max_length=most)


def chance() -> models.DecimalField:
    return models.DecimalField(decimal_places=4, max_digits=5, null=True)


# What a forecast adds to a unit's outlook. Rows made before it say nothing of these.
OUTLOOK = {
    "empty_on": models.DateField(null=True),
    "dry_earliest_on": models.DateField(null=True),
    "dry_latest_on": models.DateField(null=True),
    "chance_dry": chance(),
    "latest_on": models.DateField(null=True),
    "dry_advice": word(12),
    "drift": word(16),
    "drift_since_on": models.DateField(null=True),
    "drift_advice": word(16),
    "wick_chance": chance(),
    "wick_advice": word(8),
    "wick_reason": word(16),
    "wick_saving": models.DecimalField(decimal_places=2, max_digits=9, null=True),
    "clean_due_on": models.DateField(null=True),
    "basis": models.JSONField(db_default={}, default=dict),
}


class Migration(migrations.Migration):
    dependencies = [("accounts", "0003_forecast_terms"), ("servicing", "0005_personal_text")]

    operations = [
        *(migrations.AddField("outlook", name, column) for name, column in OUTLOOK.items()),
        migrations.CreateModel(
            name="Fit",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("kind", models.CharField(choices=[("dose", "dose"), ("wick", "wick")], max_length=4)),
                ("method", models.CharField(max_length=20)),
                ("made_at", models.DateTimeField()),
                ("position", models.BigIntegerField()),
                ("basis", models.JSONField()),
                ("parameters", models.JSONField()),
                (
                    "operator",
                    models.ForeignKey(
                        default=accounts.tenancy.scope_operator_id,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.operator",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(fields=["operator", "kind", "made_at"], name="servicing_fit_latest")
                ],
            },
        ),
        # A fit never changes: a better one takes its place, old ones go.
        accounts.tenancy.Isolate("Fit", app="SELECT, INSERT, DELETE"),
    ]
