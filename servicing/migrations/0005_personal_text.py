import django.db.models.deletion
from django.db import migrations, models

import accounts.tenancy


def operator() -> models.ForeignKey:
    return models.ForeignKey(
        default=accounts.tenancy.scope_operator_id,
        editable=False,
        on_delete=django.db.models.deletion.PROTECT,
        related_name="+",
        to="accounts.operator",
    )


def key_of(column: str) -> models.CompositePrimaryKey:
    return models.CompositePrimaryKey(
        "operator_id", column, blank=True, editable=False, primary_key=True, serialize=False
    )


class Migration(migrations.Migration):
    dependencies = [("servicing", "0004_seals")]

    operations = [
        migrations.CreateModel(
            name="PersonKey",
            fields=[
                ("pk", key_of("person_id")),
                ("person_id", models.UUIDField()),
                ("wrapped_key", models.BinaryField(null=True)),
                ("made_at", models.DateTimeField()),
                ("destroyed_at", models.DateTimeField(null=True)),
                ("operator", operator()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(wrapped_key__isnull=True, destroyed_at__isnull=False)
                        | models.Q(wrapped_key__isnull=False, destroyed_at__isnull=True),
                        name="servicing_personkey_or_destroyed",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="PersonalText",
            fields=[
                ("pk", key_of("text_id")),
                ("text_id", models.UUIDField()),
                ("person_id", models.UUIDField()),
                ("ciphertext", models.BinaryField(null=True)),
                ("hash", models.BinaryField()),
                ("filed_at", models.DateTimeField()),
                ("erased_at", models.DateTimeField(null=True)),
                ("operator", operator()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(ciphertext__isnull=True, erased_at__isnull=False)
                        | models.Q(ciphertext__isnull=False, erased_at__isnull=True),
                        name="servicing_personaltext_or_erased",
                    )
                ],
                "indexes": [
                    models.Index(fields=["operator", "person_id"], name="servicing_personaltext_person")
                ],
            },
        ),
        # Rows stay when what they held is erased.
        accounts.tenancy.Isolate("PersonKey", "PersonalText", app="SELECT, INSERT, UPDATE"),
    ]
