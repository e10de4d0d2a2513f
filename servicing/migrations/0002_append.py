from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("servicing", "0001_initial")]

    operations: list[object] = []
