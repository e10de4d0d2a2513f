"""Learn doses and wick lives from what has been recorded, operator by operator, as the clock does every night."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
from servicing.commands.forecasts import refit


class Command(BaseCommand):
    help = "Fit doses and wick lives to all that is recorded, and make every unit's outlook anew."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")

    def handle(self, *args: Any, **options: Any) -> None:
        operator_ids = accounts.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        for operator_id in operator_ids:
            actor = system_actor(operator_id)
            with tenancy.reading(actor):
                slug = accounts.get_operator().slug
            done = refit(actor=actor)
            self.stdout.write(
                f"{slug}: learnt from {count(done.readings, 'exchange')} and {count(done.failures, 'failed wick')}, "
                f"{count(done.outlooks, 'outlook')} made anew"
            )
