from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("servicing", "0002_append")]

    operations: list[object] = []
