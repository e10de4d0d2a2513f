from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("servicing", "0003_building")]

    operations: list[object] = []
