from django.db import migrations, models


def _beside_others(name: str, fields: list[str], columns: str) -> migrations.SeparateDatabaseAndState:
    """An index made while others write."""
    return migrations.SeparateDatabaseAndState(
        [
            migrations.RunSQL(
                f"CREATE INDEX CONCURRENTLY IF NOT EXISTS {name} ON servicing_alert ({columns})",
                f"DROP INDEX CONCURRENTLY IF EXISTS {name}",
            )
        ],
        [migrations.AddIndex("alert", models.Index(fields=fields, name=name))],
    )


class Migration(migrations.Migration):
    atomic = False
    dependencies = [
        ("servicing", "0012_leaner_alerts"),
    ]

    operations = [
        _beside_others(
            "servicing_alert_newest", ["operator", "-first_day", "id"], "operator_id, first_day DESC, id"
        ),
        _beside_others("servicing_alert_site", ["operator", "site"], "operator_id, site_id"),
    ]
