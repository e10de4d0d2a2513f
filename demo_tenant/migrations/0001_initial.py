from django.db import migrations, models

from accounts.tenancy import Grant


class Migration(migrations.Migration):
    initial = True

    dependencies = [("accounts", "0001_initial")]

    operations = [
        migrations.CreateModel(
            name="World",
            fields=[
                ("id", models.PositiveSmallIntegerField(default=1, primary_key=True, serialize=False)),
                ("preset", models.CharField(max_length=20)),
                ("seed", models.CharField(max_length=40)),
                ("as_of", models.DateField()),
                ("digest", models.CharField(max_length=64)),
                ("events", models.PositiveIntegerField()),
                ("seconds", models.FloatField(help_text="How long the play took.")),
                ("ends_at", models.DateTimeField(help_text="The world's own last instant.")),
                (
                    "played_at",
                    models.DateTimeField(help_text="When, by the machine's clock, the play ended."),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("id", 1)), name="demo_tenant_world_one")
                ],
            },
        ),
        Grant(["demo_tenant_world"], app="SELECT"),
    ]
