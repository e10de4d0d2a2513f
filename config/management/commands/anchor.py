"""Print the newest seal in short: one line of JSON, to be kept where whoever holds the database can't change it."""

from __future__ import annotations

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.errors import NotFound
from accounts.permissions import system_actor
from servicing.queries import seals


class Command(BaseCommand):
    help = "Print the anchor of an operator's newest seal as one line of JSON. Keep it elsewhere."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", required=True, metavar="SLUG")

    def handle(self, *args: Any, **options: Any) -> None:
        found = accounts.operator_ids(options["operator"])
        if not found:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        try:
            with tenancy.reading(system_actor(found[0])):
                anchor = seals.get_anchor()
        except NotFound as refusal:
            raise CommandError(f"{refusal.detail} Run `manage.py seal` first.") from None
        self.stdout.write(json.dumps(anchor))
