"""Whether a part of the service has done its work lately: for health checks, which start it anew when it has not."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError

from accounts import jobs

WITHIN_SECONDS = 180


class Command(BaseCommand):
    help = "Exit status 0 if a part of the service (tick, relay, worker/NAME) did its work within so many seconds, else 1."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "part", help="tick, relay, or worker/ and the worker's name, such as worker/worker@host"
        )
        parser.add_argument("--within", type=int, default=WITHIN_SECONDS, metavar="SECONDS")

    def handle(self, *args: Any, **options: Any) -> None:
        part, within = options["part"], options["within"]
        try:
            sign = jobs.sign(part)
        except DatabaseError as fault:
            raise CommandError(
                f"The database does not answer, so nobody knows ({type(fault).__name__})."
            ) from fault
        if sign is None:
            raise CommandError(f"{part} has done nothing yet, or nothing for days.")
        ago = f"{part} did its work {sign.age_seconds:.0f} s ago"
        if sign.age_seconds > within:
            raise CommandError(f"{ago}, which is more than {within} s.")
        self.stdout.write(f"{ago}.")
