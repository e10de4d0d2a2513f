"""An index of the largest table, made beside those who write into it; then the check is asked of old rows."""

from django.db import migrations


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("servicing", "added")]

    operations = [
        migrations.RunSQL(
            "CREATE INDEX CONCURRENTLY IF NOT EXISTS servicing_event_type ON servicing_event (operator_id, type, position)"
        ),
        migrations.RunSQL("ALTER TABLE servicing_event VALIDATE CONSTRAINT servicing_event_channel"),
    ]
