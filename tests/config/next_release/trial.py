import os
import pkgutil

from django.db import migrations

import servicing.migrations


def take_time(_apps, schema_editor):
    schema_editor.execute("SELECT pg_sleep(%s)", [float(os.environ.get("TRIAL_SECONDS", "0"))])


class Migration(migrations.Migration):
    dependencies = [
        ("servicing", max(one.name for one in pkgutil.iter_modules(servicing.migrations.__path__)))
    ]

    operations = [
        migrations.RunSQL("ALTER TABLE servicing_event ADD COLUMN trial text"),
        migrations.RunPython(take_time),
    ]
