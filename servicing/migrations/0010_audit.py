from django.db import migrations

import accounts.tenancy

# What people plan, note, keep and share. Recorded work is in the log, which says itself who recorded it.


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0011_audit"),
        ("servicing", "0009_entries"),
    ]

    operations = [
        accounts.tenancy.Audited("EntrySecret", values=["site", "set_by", "set_at", "struck_at"]),
        accounts.tenancy.Audited(
            "PlannedVisit",
            values=["site", "crew", "day", "begins_at", "minutes", "moved_from_on", "called_off_at"],
        ),
        accounts.tenancy.Audited("SiteNote", values=["site", "written_by", "struck_at"]),
        accounts.tenancy.Audited(
            "RecordLink",
            values=["customer", "site", "restroom", "made_by", "revoked_at"],
            ignored=["opened_at"],
        ),
        # They come with the work that is recorded; that one is destroyed or sealed anew is told.
        accounts.tenancy.Audited("PersonKey", values=["made_at", "destroyed_at"], on=["UPDATE", "DELETE"]),
        # They come with the work that is recorded; that one is taken away is told.
        accounts.tenancy.Audited(
            "Photo", values=["unit", "site", "visit_id", "taken_at"], on=["UPDATE", "DELETE"]
        ),
    ]
