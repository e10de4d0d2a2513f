"""People are invited: a member stays inactive until they take the invitation up."""

from django.db import migrations, models
from django.db.models import Q


class Migration(migrations.Migration):
    dependencies = [
        ("accounts", "0006_pages"),
    ]

    operations = [
        migrations.AddField(
            model_name="member",
            name="invited_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddConstraint(
            model_name="member",
            constraint=models.CheckConstraint(
                condition=Q(invited_at=None) | Q(is_active=False), name="accounts_member_invited"
            ),
        ),
    ]
