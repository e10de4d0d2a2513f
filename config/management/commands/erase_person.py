"""Erase what a person said for good, as the owner's page does; for a server without its pages, and after a restore."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts.errors import Refusal
from accounts.permissions import system_actor
from servicing.commands.personal import erase_person


class Command(BaseCommand):
    help = (
        "Destroy a person's key and delete what it encrypted. The events stay, with the ids and hashes they name. "
        "Needs neither the key of the environment nor the person's; doing it again erases nothing more."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("person", type=UUID, metavar="PERSON_ID", help="as the owner's page shows it")
        parser.add_argument("--operator", required=True, metavar="SLUG")
        parser.add_argument("--yes", action="store_true", help="do not ask")

    def handle(self, *args: Any, **options: Any) -> None:
        person, slug = options["person"], options["operator"]
        found = accounts.operator_ids(slug)
        if not found:
            raise CommandError(f"There is no operator with the address /{slug}/.")
        if not options["yes"] and not _is_confirmed(person):
            raise CommandError("Nothing was erased.")
        try:
            erased = erase_person(actor=system_actor(found[0]), person_id=person)
        except Refusal as refusal:
            raise CommandError(refusal.detail) from None
        self.stdout.write(
            f"{erased} texts of {person} were erased for good. Keep this id with your backups: "
            "after restoring an older one, erase the person again."
        )


def _is_confirmed(person: UUID) -> bool:
    try:
        return input(f"Erase what {person} said, for good? Type yes: ").strip() == "yes"
    except EOFError:
        return False
