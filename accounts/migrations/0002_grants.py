"""What the runtime roles may do with Django's own tables: sessions, and a look at which migrations ran."""

from django.db import migrations

import accounts.tenancy


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0001_initial"),
        ("auth", "0012_alter_user_first_name_max_length"),
        ("contenttypes", "0002_remove_content_type_name"),
        ("sessions", "0001_initial"),
    ]

    operations = [
        accounts.tenancy.Grant(["django_session"], app="SELECT, INSERT, UPDATE, DELETE"),
        accounts.tenancy.Grant(["django_migrations"], app="SELECT", system="SELECT"),
        accounts.tenancy.Grant(["django_content_type"], app="SELECT"),
    ]
