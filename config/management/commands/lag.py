"""How far the projections are behind the log, operator by operator, and which version of them is live."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
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
                f"{slug}: log at {found.head}, folded to {found.folded}, {count(found.events_behind, 'event')} behind{since}"
            )
            behind += found.events_behind
        live = lag.live_version()
        self.stdout.write(
            f"Version {live.version} is live since {live.live_at:%Y-%m-%d %H:%M:%S} UTC, {_made_by(live)}."
        )
        if behind:
            raise CommandError(f"Stored and not yet folded: {count(behind, 'event')}.")


def _made_by(live: lag.LiveVersion) -> str:
    if not live.code_hash:
        return "folded upload by upload and never rebuilt"
    return (
        "made by this code"
        if live.code_hash == rebuilds.code_hash()
        else "made by other code than this; rebuild it"
    )
