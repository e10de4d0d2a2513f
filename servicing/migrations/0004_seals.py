import django.db.models.deletion
from django.db import migrations, models

import accounts.tenancy

# A seal stays: privileges stop the application, triggers stop the owner too, in every session.
GUARD_SQL = """
CREATE FUNCTION servicing_refuse_seal_change() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    RAISE EXCEPTION 'A seal does not change.' USING ERRCODE = 'insufficient_privilege';
END $$;
CREATE TRIGGER servicing_seal_no_change BEFORE UPDATE OR DELETE ON servicing_seal
    FOR EACH STATEMENT EXECUTE FUNCTION servicing_refuse_seal_change();
CREATE TRIGGER servicing_seal_no_truncate BEFORE TRUNCATE ON servicing_seal
    FOR EACH STATEMENT EXECUTE FUNCTION servicing_refuse_seal_change();
ALTER TABLE servicing_seal ENABLE ALWAYS TRIGGER servicing_seal_no_change;
ALTER TABLE servicing_seal ENABLE ALWAYS TRIGGER servicing_seal_no_truncate;
"""


class Migration(migrations.Migration):
    dependencies = [("servicing", "0003_building")]

    operations = [
        migrations.CreateModel(
            name="Seal",
            fields=[
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "operator_id",
                        "number",
                        blank=True,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("number", models.IntegerField()),
                ("first_position", models.BigIntegerField()),
                ("last_position", models.BigIntegerField()),
                ("count", models.IntegerField()),
                ("total", models.BigIntegerField()),
                ("root", models.BinaryField()),
                ("previous_hash", models.BinaryField()),
                ("seal_hash", models.BinaryField()),
                ("sealed_at", models.DateTimeField()),
                ("reason", models.CharField(max_length=8)),
                (
                    "operator",
                    models.ForeignKey(
                        default=accounts.tenancy.scope_operator_id,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="accounts.operator",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            number__gt=0, count__gt=0, last_position__gte=models.F("first_position")
                        ),
                        name="servicing_seal_covers_events",
                    )
                ],
            },
        ),
        accounts.tenancy.Isolate("Seal", app="SELECT, INSERT"),
        migrations.RunSQL(GUARD_SQL, "DROP FUNCTION servicing_refuse_seal_change() CASCADE"),
    ]
