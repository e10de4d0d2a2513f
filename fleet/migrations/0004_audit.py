from django.db import migrations

import accounts.tenancy

# What hangs where and what is kept for it; the names of models and liquids are those of a catalogue.


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0011_audit"),
        ("fleet", "0003_safety_sheets"),
    ]

    operations = [
        accounts.tenancy.Audited("UnitModel", label="name", values=["reservoir_ml"]),
        accounts.tenancy.Audited("Liquid", label="name", values=["family", "sds_revision_on"]),
        accounts.tenancy.Audited(
            "SafetySheet", values=["liquid", "revision_on", "language", "added_at", "sha256"]
        ),
        accounts.tenancy.Audited(
            "Cartridge", label="code", values=["code", "liquid", "volume_ml", "nominal_dose_ml_per_day"]
        ),
        accounts.tenancy.Audited("Restroom", values=["site"]),
        accounts.tenancy.Audited("Station", values=["restroom", "fixture"]),
        accounts.tenancy.Audited("Unit", label="code", values=["code", "unit_model", "printed_at"]),
    ]
