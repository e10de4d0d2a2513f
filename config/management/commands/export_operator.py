"""Write everything of an operator to a ZIP file, as the owner's page does; for whoever runs the service."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import origin, queries
from accounts.errors import Refusal
from accounts.permissions import system_actor
from config.exporting.filing import write_file
from config.exporting.reading_back import digest_of


class Command(BaseCommand):
    help = (
        "Write every table, the sealed log, documents, photos and texts of one operator to a ZIP file of one moment, and "
        "read it again. The file holds personal data: keep it where only those can read it who may."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("slug", metavar="SLUG", help="the operator's address")
        parser.add_argument("--to", required=True, type=Path, metavar="FILE.zip")

    def handle(self, *args: Any, **options: Any) -> None:
        slug, path = options["slug"], options["to"]
        found = queries.operator_ids(slug)
        if not slug or not found:
            raise CommandError(f"There is no operator with the address /{slug}/.")
        try:
            with origin.coming_from(origin.Origin(door="command export_operator")):
                manifest = write_file(system_actor(found[0]), path)
        except (Refusal, OSError) as fault:
            raise CommandError(str(fault)) from None
        files = manifest["files"]
        rows = sum(one.get("rows", 0) for one in files if one["name"].startswith("tables/"))
        self.stdout.write(
            f"{path} holds {len(files)} files with {rows} rows of tables, and is as it was written."
        )
        self.stdout.write(f"Its SHA-256 is {digest_of(path)}.")
