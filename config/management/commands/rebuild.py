"""Make all that is derived from the log again; or, with --check, beside what is stored, and name what differs."""

from __future__ import annotations

import sys
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from billing import commands as billing
from servicing.commands import rebuilds

SHOWN = 20


class Command(BaseCommand):
    help = "Rebuild unit states, visits, findings and due days from the log; --check compares and changes nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--check", action="store_true", help="compare only; exit status 1 if anything differs"
        )

        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")

    def handle(self, *args: Any, **options: Any) -> None:
        differences = 0
        for operator_id in self._operators(options["operator"]):
            print(f"rebuild: operator {operator_id}", file=sys.stderr)
            if not options["check"]:
                self.stdout.write(f"{operator_id}: {rebuilds.rebuild(operator_id)} events folded")
            found = rebuilds.check(operator_id) + billing.differences(operator_id)
            differences += len(found)
            for line in found[:SHOWN]:
                self.stdout.write(f"{operator_id}: {line}")
            if len(found) > SHOWN:
                self.stdout.write(f"{operator_id}: and {len(found) - SHOWN} more")
        if differences:
            raise CommandError(f"{differences} rows differ from what the log gives.")
        self.stdout.write("Everything derived equals what the log gives.")

    def _operators(self, slug: str) -> list[UUID]:
        found = accounts.operator_ids(slug)
        if slug and not found:
            raise CommandError(f"There is no operator with the address /{slug}/.")
        return found
