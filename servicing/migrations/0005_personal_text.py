from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("servicing", "0004_seals")]

    operations: list[object] = []
