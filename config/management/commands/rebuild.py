"""Make all that is derived from the log again; or, with --check, beside what is stored, and name what differs."""

from __future__ import annotations

import sys
import time
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts import queries as accounts
from accounts.errors import Refusal
from billing.commands import closing as billing
from servicing.commands import rebuilds

SHOWN = 20
SECONDS_BETWEEN_LINES = 2


class Command(BaseCommand):
    help = (
        "Rebuild unit states, visits, findings and due days from the log while everybody goes on working; "
        "--check compares and changes nothing. A rebuild connects as the tables' owner (DATABASE_MIGRATE_URL)."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--check", action="store_true", help="compare only; exit status 1 if anything differs"
        )

        parser.add_argument(
            "--python",
            action="store_true",
            help="fold units one by one, as an upload does: slower, the same rows",
        )
        parser.add_argument(
            "--resume", action="store_true", help="go on with a rebuild of everything that broke off"
        )
        parser.add_argument(
            "--cancel",
            action="store_true",
            help="stop the rebuild of everything that runs, or clear away what a broken one had made",
        )
        parser.add_argument("--operator", default="", metavar="SLUG", help="this operator only")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["cancel"]:
            self._cancel()
            return
        operator_ids = self._operators(options["operator"])
        if options["resume"] and options["operator"]:
            raise CommandError("Only a rebuild of everything can be gone on with; leave --operator out.")
        progress = Progress()
        if not options["check"]:
            try:
                only = operator_ids if options["operator"] else []
                self.stdout.write(self._rebuild(only, progress, options))
            except Refusal as refusal:
                raise CommandError(refusal.detail) from None
            except KeyboardInterrupt:
                raise CommandError(
                    "Stopped. The live tables are as they were. Go on with --resume, or clear away with --cancel."
                ) from None
        differences = 0
        for number, operator_id in enumerate(operator_ids, 1):
            progress(f"comparing operator {number} of {len(operator_ids)}")
            found = rebuilds.check(operator_id) + billing.differences(operator_id)
            differences += len(found)
            for line in found[:SHOWN]:
                self.stdout.write(f"{operator_id}: {line}")
            if len(found) > SHOWN:
                self.stdout.write(f"{operator_id}: and {len(found) - SHOWN} more")
        if differences:
            raise CommandError(f"{differences} rows differ from what the log gives.")
        self.stdout.write("Everything derived equals what the log gives.")

    def _cancel(self) -> None:
        try:
            was_any = rebuilds.cancel()
        except Refusal as refusal:
            raise CommandError(refusal.detail) from None
        if not was_any:
            raise CommandError("No rebuild of everything runs, and none has broken off.")
        self.stdout.write(
            "The rebuild is cancelled; one that runs stops in a moment. The live tables are as they were."
        )

    def _rebuild(self, only: list[UUID], progress: Progress, options: dict[str, Any]) -> str:
        """One operator's rows, or everything for everybody; what was done as a sentence."""
        by_sets = not options["python"]
        if only:
            done = rebuilds.rebuild(only[0], progress, by_sets=by_sets)
            return (
                f"{done.events} events folded, {done.rows_changed} rows differed and were replaced; "
                f"the operator's uploads waited {done.held_ms:.0f} ms."
            )
        done = rebuilds.rebuild_all(progress, by_sets=by_sets, resume=options["resume"])
        return f"{done.events} events folded; version {done.version} is live; uploads waited {done.held_ms:.0f} ms."

    def _operators(self, slug: str) -> list[UUID]:
        found = accounts.operator_ids(slug)
        if slug and not found:
            raise CommandError(f"There is no operator with the address /{slug}/.")
        return found


class Progress:
    """Says on stderr what is being done, every two seconds at most; a short run says nothing."""

    def __init__(self) -> None:
        self.said_at = time.monotonic()

    def __call__(self, line: str) -> None:
        if time.monotonic() - self.said_at >= SECONDS_BETWEEN_LINES:
            self.said_at = time.monotonic()
            print(f"rebuild: {line}", file=sys.stderr)
