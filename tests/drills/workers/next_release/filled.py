"""Fill: in batches, each a transaction, by key; whoever uploads waits for one batch at most."""

from django.db import migrations

BATCH = 200


def fill(_apps, schema_editor):
    with schema_editor.connection.cursor() as cursor:
        last = ("00000000-0000-0000-0000-000000000000",) * 2
        while last:
            cursor.execute(
                """
                WITH batch AS (
                    SELECT operator_id, unit_id FROM servicing_unitstate WHERE (operator_id, unit_id) > (%s, %s)
                    ORDER BY operator_id, unit_id LIMIT %s
                ), done AS (
                    UPDATE servicing_unitstate u SET handled_on = current_date FROM batch
                    WHERE u.operator_id = batch.operator_id AND u.unit_id = batch.unit_id AND u.handled_on IS NULL
                )
                SELECT operator_id, unit_id FROM batch ORDER BY operator_id DESC, unit_id DESC LIMIT 1
                """,
                [*last, BATCH],
            )
            last = cursor.fetchone()


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("servicing", "indexed")]

    operations = [migrations.RunPython(fill)]
