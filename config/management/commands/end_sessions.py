"""End the sessions of one person or of everybody, such as after a browser was stolen or a key has come out."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import origin
from accounts.commands import sessions
from accounts.errors import Refusal
from accounts.phrases import count


class Command(BaseCommand):
    help = "Ends sessions, and forgets the browsers that were known: of one person by e-mail address, or --everybody."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email", nargs="?", default="", help="by which the person signs in")
        parser.add_argument("--everybody", action="store_true", help="all people of all operators")

    def handle(self, *args: Any, **options: Any) -> None:
        email = options["email"]
        if bool(email) == options["everybody"]:
            raise CommandError("Name one person by e-mail address, or say --everybody.")
        with origin.coming_from(origin.Origin(door="command end_sessions")):
            try:
                ended = sessions.end_of_everybody() if options["everybody"] else sessions.end_by_email(email)
            except Refusal as refusal:
                raise CommandError(refusal.detail) from None
        self.stdout.write(f"{count(ended, 'session')} ended. Whoever was signed in signs in again.")
