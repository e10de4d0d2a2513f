"""Remove: when no old code runs any more."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("servicing", "filled")]

    operations = [
        migrations.RunSQL(
            [
                "ALTER TABLE servicing_event DROP CONSTRAINT servicing_event_channel",
                "ALTER TABLE servicing_event DROP COLUMN channel",
            ]
        )
    ]
