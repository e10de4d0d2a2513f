from django.db import migrations, models

import accounts.tenancy

# A rebuild fills new versions of the derived tables in the one schema, and puts those they replace into the other until
# they are dropped. The app role fills what is building; nobody but the owner looks into what is retired.
SCHEMAS_SQL = """
CREATE SCHEMA wickround_building;
GRANT USAGE ON SCHEMA wickround_building TO wickround_app;
CREATE SCHEMA wickround_retired;
"""
DROP_SQL = "DROP SCHEMA wickround_building CASCADE; DROP SCHEMA wickround_retired CASCADE"

# The tables that are there already.
FIRST_SQL = """
INSERT INTO servicing_projectionversion (version, state, code_hash, started_at, live_at) VALUES (1, 'live', '', now(), now())
"""


class Migration(migrations.Migration):
    dependencies = [("servicing", "0002_append")]

    operations = [
        migrations.RunSQL(SCHEMAS_SQL, DROP_SQL),
        migrations.CreateModel(
            name="ProjectionVersion",
            fields=[
                ("version", models.IntegerField(primary_key=True, serialize=False)),
                ("state", models.CharField(max_length=8)),
                ("code_hash", models.CharField(max_length=64)),
                ("started_at", models.DateTimeField()),
                ("live_at", models.DateTimeField(null=True)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=["state"],
                        condition=models.Q(state__in=["building", "live"]),
                        name="servicing_projectionversion_one",
                    )
                ],
            },
        ),
        migrations.RunSQL(FIRST_SQL, migrations.RunSQL.noop),
        accounts.tenancy.Grant(["servicing_projectionversion"], app="SELECT"),
    ]
