from decimal import Decimal

from django.db import migrations, models


def decimal(digits: int, places: int, default: str) -> models.DecimalField:
    value = Decimal(default)
    return models.DecimalField(max_digits=digits, decimal_places=places, default=value, db_default=value)


class Migration(migrations.Migration):
    dependencies = [("accounts", "0002_grants")]

    operations = [
        migrations.AddField("servicerules", "dry_target", decimal(4, 3, "0.100")),
        migrations.AddField("servicerules", "false_alarms_per_1000", decimal(5, 2, "2.00")),
        migrations.AddField("servicerules", "wick_change_cost", decimal(9, 2, "8.00")),
        migrations.AddField("servicerules", "wick_failure_cost", decimal(9, 2, "30.00")),
        migrations.AddField("servicerules", "wick_down_day_cost", decimal(9, 2, "0.50")),
        migrations.AddField("servicerules", "wick_wash_cost", decimal(9, 2, "3.00")),
        migrations.AddField(
            "site",
            "hardness_mg_per_l",
            models.PositiveSmallIntegerField(
                blank=True,
                help_text="Hardness of the site's water as CaCO3; null while it is not known.",
                null=True,
            ),
        ),
        migrations.AddField(
            "site",
            "dust",
            models.CharField(
                choices=[("low", "low"), ("normal", "normal"), ("high", "high")],
                db_default="normal",
                default="normal",
                max_length=6,
            ),
        ),
    ]
