"""Add: what old code need not know of. Short locks; a check that is not yet asked of old rows."""

import pkgutil

from django.db import migrations

import servicing.migrations


class Migration(migrations.Migration):
    dependencies = [
        ("servicing", max(one.name for one in pkgutil.iter_modules(servicing.migrations.__path__)))
    ]

    operations = [
        migrations.RunSQL(
            [
                "ALTER TABLE servicing_event ADD COLUMN channel text DEFAULT 'phone'",
                (
                    "ALTER TABLE servicing_event ADD CONSTRAINT servicing_event_channel "
                    "CHECK (channel IN ('phone', 'office')) NOT VALID"
                ),
                "ALTER TABLE servicing_unitstate ADD COLUMN handled_on date",
            ]
        )
    ]
