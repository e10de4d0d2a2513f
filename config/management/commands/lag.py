"""How far the projections are behind the log, operator by operator, and which version of them is live."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from servicing.commands import rebuilds
from servicing.queries import lag


class Command(BaseCommand):
    help = (
        "Say for each operator how many events are stored and not yet folded; exit status 1 if there are any."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")

    def handle(self, *args: Any, **options: Any) -> None:
        operator_ids = accounts.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        behind = 0
        for operator_id in operator_ids:
            with tenancy.reading(system_actor(operator_id)):
                slug, found = accounts.get_operator().slug, lag.lag()
            since = (
                f", the oldest since {found.behind_since:%Y-%m-%d %H:%M:%S} UTC" if found.behind_since else ""
            )
            self.stdout.write(
                f"{slug}: log at {found.head}, folded to {found.folded}, {found.events_behind} events behind{since}"
            )
            behind += found.events_behind
        live = lag.live_version()
        made_by = (
            "this code" if live.code_hash == rebuilds.code_hash() else "other code than this; rebuild it"
        )
        self.stdout.write(
            f"Version {live.version} is live since {live.live_at:%Y-%m-%d %H:%M:%S} UTC, made by {made_by}."
        )
        if behind:
            raise CommandError(f"{behind} events are stored and not yet folded.")
