"""Seal what is due, operator by operator, as the clock does every five minutes."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import system_actor
from accounts.phrases import count
from servicing.commands.seals import seal


class Command(BaseCommand):
    help = "Seal full blocks of events, and the rest of them once the oldest is 15 minutes old."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")
        parser.add_argument("--at-once", action="store_true", help="the rest too, however young")

    def handle(self, *args: Any, **options: Any) -> None:
        operator_ids = accounts.operator_ids(options["operator"])
        if options["operator"] and not operator_ids:
            raise CommandError(f"There is no operator with the address /{options['operator']}/.")
        for operator_id in operator_ids:
            actor = system_actor(operator_id)
            with tenancy.reading(actor):
                slug = accounts.get_operator().slug
            blocks = seal(actor=actor, at_once=options["at_once"])
            self.stdout.write(f"{slug}: {count(blocks, 'block')} sealed")
