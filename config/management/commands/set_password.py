"""Set a person's password, or make the link by which they choose one: for whoever runs the service, where no mail goes out."""

from __future__ import annotations

from getpass import getpass
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import origin, queries
from accounts.commands import forgotten, passwords
from accounts.errors import Refusal


class Command(BaseCommand):
    help = (
        "Set another password for a person, asked on the terminal, or print a link by which they choose one themselves within "
        "an hour. Be sure of who asks: their second factor stays, but their password may be all that keeps others out."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email", help="by which the person signs in")
        parser.add_argument(
            "--link", action="store_true", help="print a link instead; give it to nobody but the person"
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        email = options["email"]
        person = queries.get_user_by_email(email)
        if person is None:
            raise CommandError(f"Nobody here signs in with {email}.")
        if options["link"]:
            if not person.is_active or person.password == passwords.NO_PASSWORD:
                raise CommandError(
                    f"{email} has no password yet that could be replaced; make a new invitation instead."
                )
            self.stdout.write(f"{settings.PUBLIC_URL}{forgotten.path_of(person)}")
            return
        with origin.coming_from(origin.Origin(door="command set_password")):
            try:
                passwords.set_password(email=email, password=_typed())
            except Refusal as refusal:
                reasons = [one.detail for one in refusal.errors if one.detail not in refusal.detail]
                raise CommandError(" ".join([refusal.detail, *reasons])) from None
        self.stdout.write(f"{person.email} has a new password and is signed out everywhere.")


def _typed() -> str:
    try:
        first, again = getpass("The new password: "), getpass("The same again: ")
    except (EOFError, KeyboardInterrupt):
        raise CommandError("No password was given; nothing was changed.") from None
    if first != again:
        raise CommandError("The two passwords differ; nothing was changed. Run this again.")
    return first
