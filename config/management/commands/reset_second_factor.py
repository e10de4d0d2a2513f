"""Take a lost second factor from a person whom no single operator can let in again, such as an only owner."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import origin
from accounts.commands import second_factor
from accounts.errors import Refusal


class Command(BaseCommand):
    help = (
        "Resets the second factor of a person who lost it, with the recovery codes, ends their sessions and tells them by "
        "mail. Make sure first that it is them who ask: whoever knows their password can then set up another one."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email", help="by which they sign in")

    def handle(self, *args: Any, **options: Any) -> None:
        email = options["email"]
        with origin.coming_from(origin.Origin(door="command reset_second_factor")):
            try:
                second_factor.reset(email=email)
            except Refusal as refusal:
                raise CommandError(refusal.detail) from None
        self.stdout.write(
            f"{email} signs in with the password alone, once, and then sets up a second factor anew."
        )
