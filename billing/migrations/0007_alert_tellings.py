import django.db.models.deletion
from django.db import migrations, models

import accounts.ids
import accounts.tenancy


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0012_work"),
        ("billing", "0006_audit"),
    ]

    operations = [
        migrations.CreateModel(
            name="AlertTelling",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=accounts.ids.uuid7, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("told_turn", models.BigIntegerField()),
                (
                    "endpoint",
                    accounts.tenancy.TenantForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="billing.webhookendpoint",
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
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("operator", "endpoint"), name="billing_alerttelling_endpoint"
                    )
                ],
            },
        ),
        accounts.tenancy.Isolate("AlertTelling", app="SELECT, INSERT, UPDATE, DELETE"),
    ]
