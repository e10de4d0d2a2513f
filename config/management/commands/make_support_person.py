"""Make a person one of the service's, whom owners may let look, or end that; for whoever runs the service."""

from __future__ import annotations

import os
from getpass import getpass
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries
from accounts.commands import support
from accounts.errors import Refusal

PASSWORD_VARIABLE = "WICKROUND_SUPPORT_PASSWORD"  # noqa: S105 - the name of a variable


class Command(BaseCommand):
    help = (
        "Make a person one of the service's. They see nothing of any operator before its owner lets them look, and always "
        "need a second factor, which they set up when they first sign in. A person who signs in already keeps their "
        f"password; for a new one it is asked on the terminal, or taken from {PASSWORD_VARIABLE}."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email", metavar="EMAIL", help="by which they sign in")
        parser.add_argument("name", metavar="NAME", nargs="?", default="", help="as owners read it")
        parser.add_argument("--end", action="store_true", help="no longer of the service")

    def handle(self, *args: Any, **options: Any) -> None:
        email, name = options["email"], options["name"]
        try:
            if options["end"]:
                person = support.end_support_person(email=email)
                self.stdout.write(f"{person.name} is no longer of the service, and signed out everywhere.")
                return
            is_new = queries.get_user_by_email(email) is None
            if is_new and not name:
                raise CommandError("Give the person's name too; nothing was made.")
            person = support.make_support_person(
                email=email, name=name, password=_password() if is_new else ""
            )
        except Refusal as refusal:
            reasons = [one.detail for one in refusal.errors if one.detail not in refusal.detail]
            raise CommandError(" ".join([refusal.detail, *reasons])) from None
        self.stdout.write(
            f"{person.name} is of the service. Owners let them look by the address {person.email}."
        )


def _password() -> str:
    given = os.environ.get(PASSWORD_VARIABLE)
    if given:
        return given
    try:
        first, again = getpass("Their password: "), getpass("The same again: ")
    except (EOFError, KeyboardInterrupt):
        raise CommandError(f"No password was given; set {PASSWORD_VARIABLE} or type one.") from None
    if first != again:
        raise CommandError("The two passwords differ; nothing was made. Run this again.")
    return first
