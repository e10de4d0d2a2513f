"""List how the operators' data is isolated in this database; exit 1 naming every gap."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connections

from accounts.isolation.audit import audit
from accounts.tenancy import APP_ROLE, OWNER_ROLE, SYSTEM_ROLE

ROLES = {"default": APP_ROLE, "system": SYSTEM_ROLE, "migrate": OWNER_ROLE}


class Command(BaseCommand):
    help = "Compare row-level security, keys, roles and privileges in the database with what the models need."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "--database", default="default", choices=sorted(ROLES), help="Ask over this connection."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with connections[options["database"]].cursor() as cursor:
            found = audit(cursor)
            cursor.execute("SELECT current_user::text")
            role = cursor.fetchone()[0]
        wanted = ROLES[options["database"]]
        found.need(role == wanted, f"The connection {options['database']} acts as {role}, not as {wanted}.")
        for what, count in found.counts.items():
            self.stdout.write(f"{count:>5}  {what}")
        for gap in found.gaps:
            self.stdout.write(f"  gap  {gap}")
        if found.gaps:
            raise CommandError(f"The isolation of operators has {len(found.gaps)} gaps.", returncode=1)
        self.stdout.write("No gap.")
