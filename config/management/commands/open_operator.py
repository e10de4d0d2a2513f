"""Open an operator with its first owner: nothing else can be done before that, and there is no page for it."""

from __future__ import annotations

import os
from getpass import getpass
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries
from accounts.commands import clients, operators
from accounts.errors import Refusal
from accounts.permissions import PROGRAM_SCOPES, Role, system_actor

PASSWORD_VARIABLE = "WICKROUND_OWNER_PASSWORD"  # noqa: S105 - the name of a variable


class Command(BaseCommand):
    help = (
        "Open an operator and make a person its owner. A person who signs in already keeps their password; for a new "
        f"one it is asked on the terminal, or taken from {PASSWORD_VARIABLE}."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--slug", required=True, help="its address, such as north-bank for /north-bank/")
        parser.add_argument("--name", required=True, help="as it stands on the pages")
        parser.add_argument("--legal-name", required=True, help="as it stands on invoices")
        parser.add_argument("--currency", required=True, help="ISO 4217, such as EUR")
        parser.add_argument("--zone", required=True, help="of the IANA time zone list, such as Europe/Berlin")
        parser.add_argument("--owner-email", required=True, help="by which the owner signs in")
        parser.add_argument("--owner-name", required=True)
        parser.add_argument(
            "--program",
            default="",
            metavar="NAME",
            help="also make a program with all scopes there are, and print its id and its secret",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        # The person first: a refused password then leaves no operator without an owner.
        try:
            owner_id = _owner(options)
            operator = operators.create_operator(
                slug=options["slug"],
                name=options["name"],
                legal_name=options["legal_name"],
                currency=options["currency"],
                zone=options["zone"],
            )
            actor = system_actor(operator.id)
            operators.add_member(
                actor=actor,
                user_id=owner_id,
                role=Role.OWNER,
                name=options["owner_name"],
            )
            label = options["program"]
            program = label and clients.make_client(actor=actor, name=label, scopes=PROGRAM_SCOPES)
        except Refusal as refusal:
            raise CommandError(_sentence(refusal)) from None
        self.stdout.write(
            f"{operator.name} is open at /{operator.slug}/; {options['owner_name']} is its owner."
        )
        if program:
            client, secret = program
            self.stdout.write(f"The client id of {client.name}: {client.client_id}")
            self.stdout.write(f"Its secret, which is not shown again: {secret}")


def _owner(options: dict[str, Any]) -> UUID:
    """The person of this e-mail address, made when there is none."""
    email, name = options["owner_email"], options["owner_name"]
    person = queries.get_user_by_email(email)
    if person is None:
        person = operators.create_user(
            email=email, name=name, password=_password(), operators=[options["name"], options["slug"]]
        )
    return person.id


def _password() -> str:
    given = os.environ.get(PASSWORD_VARIABLE)
    if given:
        return given
    try:
        first, again = getpass("The owner's password: "), getpass("The same again: ")
    except (EOFError, KeyboardInterrupt):
        raise CommandError(f"No password was given; set {PASSWORD_VARIABLE} or type one.") from None
    if first != again:
        raise CommandError("The two passwords differ; nothing was made. Run this again.")
    return first


def _sentence(refusal: Refusal) -> str:
    """The refusal in one line, with the reasons that its own sentence leaves out."""
    reasons = [one.detail for one in refusal.errors if one.detail not in refusal.detail]
    return " ".join([refusal.detail, *reasons])
